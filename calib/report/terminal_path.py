"""A machine's path as a person reads it: its minutes, and a picture of them over the height."""

from __future__ import annotations

from calib.documents.part import PathDocument, PathLayer
from calib.report.terminal import as_text, listed
from calib.report.units import count, duration, figure

BANDS = 16  # of layers, so that the picture fits a screen
BAR = 40
LAYING, OTHER = "█", "░"


def show_measure_path(doc: PathDocument) -> str:
    """Minutes by kind of move, then a bar for each band of layers."""
    size = " × ".join(figure(side) for side in doc["size_mm"])
    machine = doc["machine"]
    whose = (
        f"machine {machine['id']}" if machine["id"] else "an extruder as calib assumes it (--machine for one of yours)"
    )
    lines = [
        *(str(one) for one in listed(doc, "warnings")),
        f"Printing {duration(doc['printing_min'])} on {whose}.",
        f"Laying {duration(doc['laying_min'])}, travel {duration(doc['travel_min'])}, "
        f"pulling back and priming {duration(doc['material_min'])}, stops {duration(doc['dwell_min'])}, "
        f"heating between {duration(doc['heat_between_min'])}.",
        f"Before it, heating {duration(doc['heat_before_min'])}: part of the warm-up.",
        f"{count(doc['moves'], 'move')} in {count(len(doc['layers']), 'layer')}; what is laid is {size} mm.",
        f"Acceleration {machine['acceleration_mm_s2']:g} mm/s², corners at {machine['corner_speed_mm_s']:g} mm/s.",
    ]
    return as_text(*lines, *layer_bars(doc["layers"]))


def layer_bars(layers: list[PathLayer]) -> list[str]:
    """A line for each band of layers, the highest on top, as long as its minutes.

    >>> print("\\n".join(layer_bars([{"z_mm": z, "minutes": m, "laying_min": m / 2} for z, m in ((0.2, 4), (0.4, 2))])))
    Minutes by height; █ laying, ░ everything else.
      0.4 to   0.4 mm ██████████░░░░░░░░░░ 2 min
      0.2 to   0.2 mm ████████████████████░░░░░░░░░░░░░░░░░░░░ 4 min
    """
    each = -(-len(layers) // BANDS)
    bands = [layers[start : start + each] for start in range(0, len(layers), each)]
    longest = max(sum(layer["minutes"] for layer in band) for band in bands) or 1.0
    lines = ["Minutes by height; █ laying, ░ everything else."]
    for band in reversed(bands):
        minutes, laying = (sum(layer[name] for layer in band) for name in ("minutes", "laying_min"))
        whole, part = (round(BAR * value / longest) for value in (minutes, laying))
        bar = LAYING * part + OTHER * (whole - part)
        lines.append(f"{band[0]['z_mm']:5.1f} to {band[-1]['z_mm']:5.1f} mm {bar} {duration(minutes)}")
    return lines
