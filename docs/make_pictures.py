"""Draw the pictures of the explanations from the program's own functions: a line for each case, as plain SVG."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from calib import Calibrator
from calib.baseline.bench import dissolving_min
from calib.baseline.exposure import masked_exposure_s
from calib.baseline.heat import cake_cooling_s, warm_up_s
from calib.baseline.learning_curve import repeats
from calib.baseline.motion import move_s
from calib.logs.bench_card import COLUMNS

WIDTH, HEIGHT, LEFT, BOTTOM, RIGHT, TOP = 560, 300, 56, 42, 150, 14
COLOURS = ("#1b5e8a", "#b3541e", "#3f7d3a", "#7a4b94")  # told apart by their labels too
Line = tuple[np.ndarray, np.ndarray]


def write(folder: Path) -> None:
    """All pictures into a folder."""
    for name, draw in PICTURES.items():
        (folder / f"{name}.svg").write_text(draw(), encoding="utf-8")


def moves() -> str:
    length = np.linspace(0.2, 20, 80)
    lines = {f"{a:,} mm/s²": (length, length / move_s(length, 110.0, float(a))) for a in (500, 2500, 10000)}
    return picture("Mean speed of a move, set to 110 mm/s", "length of the move [mm]", "mm/s", lines)


def exposure() -> str:
    layer = np.linspace(0.02, 0.2, 80)
    lines = {
        f"overcure {over} mm": (layer * 1000, masked_exposure_s(layer + over, 0.12, 4.0, 4.0)) for over in (0.05, 0.1)
    }
    return picture("Exposure of a layer under masked light", "thickness of the layer [µm]", "s", lines)


def warming() -> str:
    wanted = np.linspace(30, 230, 80)
    lines = {f"ends at {end} °C": (wanted, warm_up_s(22.0, wanted, float(end), 300.0) / 60) for end in (260, 400)}
    return picture("Warm-up from 22 °C, time constant 5 min", "set temperature [°C]", "min", lines)


def cooling() -> str:
    height = np.linspace(0.04, 0.4, 40)
    lines: dict[str, Line] = {}
    for side in (0.15, 0.3):
        sides = np.column_stack([np.full(40, side), np.full(40, side), height])
        hours = cake_cooling_s(25 / 145, sides, 1e-7, 0.1, 8.0, halvings=25) / 3600
        lines[f"{side * 1000:.0f} mm wide"] = (height * 1000, hours)
    return picture("Middle of a powder cake, 170 to 50 °C", "height of the cake [mm]", "h", lines)


def baths() -> str:
    thickness = np.linspace(0, 12, 40)
    lines = {f"{rate:g} mm/h": (thickness, dissolving_min(thickness, rate) / 60) for rate in (1.5, 2.5, 4.0)}
    return picture("Supports dissolve from both sides", "greatest thickness [mm]", "h", lines)


def learning() -> str:
    count = np.arange(1, 41, dtype=float)
    lines = {f"rate {rate:g}": (count, repeats(count, rate) / count) for rate in (1.0, 0.92, 0.85)}
    return picture("Mean time of a part when the same work is repeated", "parts", "of the first part's", lines)


def narrower() -> str:
    """Ranges of one stage after ever more runs of a shop that takes 1.3 times the physics."""
    counts = [0, 2, 4, 8, 16, 32, 64]
    runs = simulated(max(counts))
    plan = pd.DataFrame({"process": ["MEX"], "stage": ["printing"], "baseline_min": [100.0]})
    found = [
        np.quantile(Calibrator().fit(runs.head(count)).draws(plan, 4000, seed=1), [0.1, 0.5, 0.9]) for count in counts
    ]
    low, middle, high = np.array(found).T
    at = np.array(counts, float)
    lines = {"9 of 10 below": (at, high), "the middle": (at, middle), "1 of 10 below": (at, low)}
    return picture("A stage of 100 min by physics, in a lab that takes 130", "logged runs", "min", lines)


def simulated(count: int) -> pd.DataFrame:
    """Runs of a stage one a day, 1.3 times the physics with a spread of 15 %."""
    rng = np.random.default_rng(3)
    baseline = rng.uniform(60, 240, count)
    return pd.DataFrame(
        {
            "process": "MEX",
            "stage": "printing",
            "baseline_min": baseline,
            "actual_min": baseline * 1.3 * np.exp(0.15 * rng.standard_normal(count)),
            "ended_at": pd.date_range("2026-01-05", periods=count, freq="D", tz="UTC"),
        }
    )


# a filled bench card; one cell for each of its columns
FILLED = (
    ("2 Mar", "B1", "washing", "13:40", "13:58", "", "", "wash", "kim", "", ""),
    ("2 Mar", "B1+B4", "post_curing", "14:30", "14:58", "", "", "cure", "kim", "", ""),
    ("2 Mar", "B3", "printing", "16:20", "07:50", "✓", "", "mex1", "", "", "over night"),
    ("3 Mar", "B2", "unloading", "08:05", "08:12", "", "", "mex1", "ash", "", ""),
    ("3 Mar", "B2", "sanding", "09:00", "10:15", "", "", "bench", "ash", "10", ""),
    ("3 Mar", "B4", "washing", "10:40", "10:58", "", "✓", "wash", "kim", "", "holes"),
)
LINE_PX, CARD_PX = 26, 720


def bench_card() -> str:
    """The front's table of a bench card, filled by hand."""
    ends = np.cumsum([0, *(share for _, share, _ in COLUMNS)]) * CARD_PX / 100
    high = LINE_PX * (len(FILLED) + 1)
    marks = [f'<rect width="{CARD_PX}" height="{LINE_PX}" fill="#eee"/>']
    marks += [f'<path d="M0 {LINE_PX * n}H{CARD_PX}" stroke="#555"/>' for n in range(len(FILLED) + 2)]
    marks += [f'<path d="M{end:g} 0V{high}" stroke="#555"/>' for end in ends]
    for left, (name, _, _) in zip(ends, COLUMNS, strict=False):
        marks += [text(left + 4, 11 * n + (17 if "," not in name else 11), word, "start", "600")
                  for n, word in enumerate(name.split(", "))]  # fmt: skip
    for n, row in enumerate(FILLED, 1):
        cells = zip(ends, row, strict=False)
        marks += [text(left + 4, LINE_PX * n + 17, cell, "start", colour="#1b3f8a") for left, cell in cells if cell]
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 {CARD_PX + 2} {high + 2}" font-family="sans-serif" font-size="11">'
    return f"{head}<title>A filled bench card</title>{''.join(marks)}</svg>\n"


PICTURES = {
    "bench_card": bench_card,
    "moves": moves,
    "exposure": exposure,
    "warming": warming,
    "cooling": cooling,
    "baths": baths,
    "learning": learning,
    "narrower": narrower,
}


def picture(title: str, across: str, up: str, lines: Mapping[str, Line]) -> str:
    """An SVG of lines with their labels at their ends; both axes begin at 0."""
    most_x = nice(max(float(np.max(x)) for x, _ in lines.values()))
    most_y = nice(max(float(np.max(y)) for _, y in lines.values()))

    def at(x: float, y: float) -> tuple[float, float]:
        wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - 24 - BOTTOM
        return round(LEFT + x / most_x * wide, 1), round(HEIGHT - BOTTOM - y / most_y * high, 1)

    marks = [text(LEFT, TOP + 4, title, "start", "600")]
    for share in (0, 0.25, 0.5, 0.75, 1):
        (x, floor), (left, y) = at(share * most_x, 0), at(0, share * most_y)
        marks += [
            f'<path d="M{left} {y}H{at(most_x, 0)[0]}" stroke="#ddd"/>',
            text(left - 6, y + 4, f"{share * most_y:g}", "end"),
        ]
        marks.append(text(x, floor + 16, f"{share * most_x:g}", "middle"))
    marks += [text(LEFT, HEIGHT - 6, across, "start"), text(at(most_x, 0)[0] + 8, at(0, most_y)[1] - 4, up, "start")]
    ends = spread([at(float(x[-1]), float(y[-1]))[1] for x, y in lines.values()])
    for (label, (x, y)), colour, end in zip(lines.items(), COLOURS, ends, strict=False):
        points = " ".join("{},{}".format(*at(float(a), float(b))) for a, b in zip(x, y, strict=True))
        marks.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"/>')
        marks.append(text(at(float(x[-1]), 0)[0] + 8, end + 4, label, "start", colour=colour))
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">'
    return f"{head}<title>{title}</title>{''.join(marks)}</svg>\n"


def spread(heights: Sequence[float], apart: float = 15.0) -> list[float]:
    """Heights of labels, moved down where two would lie on each other."""
    made = dict.fromkeys(range(len(heights)), 0.0)
    last = -apart
    for number in sorted(made, key=lambda number: heights[number]):
        last = made[number] = max(heights[number], last + apart)
    return list(made.values())


def nice(most: float) -> float:
    """The next round number above, of which a quarter is round too."""
    power = 10 ** np.floor(np.log10(most))
    return float(next(step * power for step in (1, 1.2, 1.6, 2, 2.4, 3.2, 4, 6, 8, 10) if step * power >= most * 0.999))


def text(x: float, y: float, words: str, anchor: str, weight: str = "400", colour: str = "#333") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-weight="{weight}" fill="{colour}">{words}</text>'
