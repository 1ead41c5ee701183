"""A simulated lab with a known truth: logs of stage runs, and the ranges that a model that knows everything would give.

    y = log(actual / baseline) = location(cell, size, machine, person, material, week) + build effect + noise

Every trouble is planted on purpose: levels that creep, levels that jump, a jump of one stage in every process, a jump
of one machine, heavy tails, gross errors of both signs, aborted builds, persons not logged, machines, persons and
materials that appear midway, and cells from some three to two thousand runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

LEVELS = np.array([0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975])

# stage: (minutes of a middling build, chance that a build has it); names in capitals below are a person's work
MACHINE_STAGES = {
    "MEX": {"warm_up": (15, 1), "printing": (280, 1), "cool_down": (20, 1), "drying": (90, 0.05),
            "annealing": (200, 0.013)},
    "VPP": {"warm_up": (12, 0.5), "printing": (180, 1), "washing": (20, 1), "drying": (30, 0.9), "post_curing": (35, 1),
            "annealing": (120, 0.008)},
    "PBF": {"warm_up": (60, 1), "printing": (500, 1), "cool_down": (600, 1),
            "colouring": (110, 0.15), "annealing": (140, 0.03)},
}  # fmt: skip
PERSON_STAGES = {
    "MEX": {"file_prep": (15, 1), "machine_setup": (10, 1), "unloading": (6, 1), "support_removal": (22, 0.7),
            "sanding": (30, 0.4), "inspection": (9, 0.9), "assembly": (25, 0.006), "colouring": (40, 0.003)},
    "VPP": {"file_prep": (18, 1), "machine_setup": (12, 1), "draining": (14, 0.9), "support_removal": (24, 0.95),
            "sanding": (26, 0.3), "inspection": (10, 0.9), "machine_cleaning": (25, 0.012)},
    "PBF": {"file_prep": (20, 1), "machine_setup": (20, 1), "breakout": (40, 1), "blasting": (22, 1),
            "sanding": (24, 0.2), "inspection": (12, 0.9), "powder_recovery": (30, 0.02)},
}  # fmt: skip
CELLS = [
    (process, stage, person, *facts)
    for process in ("MEX", "VPP", "PBF")
    for person, table in ((False, MACHINE_STAGES), (True, PERSON_STAGES))
    for stage, facts in table[process].items()
]
PROCESSES = ("MEX", "VPP", "PBF")
PROCESS_SHARE = np.array([0.56, 0.31, 0.13])
MACHINES, PEOPLE, MATERIALS = (9, 5, 2), 7, (7, 5, 2)
MONDAY = pd.Timestamp("2024-01-01", tz="UTC")
BUILD_SD, MACHINE_LOAD = 0.10, 0.4
GROSS, ABORTED, NOT_LOGGED = 0.025, 0.04, 0.05


@dataclass(eq=False)
class Lab:
    """runs : what a lab would log, input of the Calibrator; truth : the same rows as the truth made them."""

    runs: pd.DataFrame
    truth: pd.DataFrame


def simulate(
    seed: int, weeks: int = 60, builds_per_week: float = 40.0, jump_sd: tuple[float, float] = (0.7, 2.0)
) -> Lab:
    """One lab's logs, ordered by week; the same seed gives the same lab.

    jump_sd : the jumps of single stages lie between these, in sd of a run; (0, 0) for a lab without any jump
    """
    rng = np.random.default_rng([20260105, seed])
    truth = _rows(rng, weeks, builds_per_week)
    _locations(rng, truth, weeks, jump_sd)
    _noise(rng, truth)
    _times(rng, truth)
    return Lab(_logged(rng, truth), truth)


def _rows(rng: np.random.Generator, weeks: int, builds_per_week: float) -> pd.DataFrame:
    """Builds and their stages: who, what, when, how large."""
    week = np.repeat(np.arange(weeks), rng.poisson(builds_per_week, weeks))
    n = len(week)
    process = rng.choice(3, n, p=PROCESS_SHARE)
    start = {"machine": np.concatenate([_starts(count, weeks) for count in MACHINES]),
             "material": np.concatenate([_starts(count, weeks) for count in MATERIALS])}  # fmt: skip
    builds = pd.DataFrame({"build": np.arange(n), "week": week, "process": process, "size": rng.standard_normal(n)})
    builds["shared"] = rng.standard_normal(n)
    builds["machine"] = _chosen(rng, process, week, np.repeat(range(3), MACHINES), start["machine"])
    builds["material"] = _chosen(rng, process, week, np.repeat(range(3), MATERIALS), start["material"])
    cell_process = np.array([PROCESSES.index(cell[0]) for cell in CELLS])
    chance = np.array([cell[4] for cell in CELLS])
    has = (process[:, None] == cell_process) & (rng.random((n, len(CELLS))) < chance)
    at, cell = np.nonzero(has)
    rows = builds.iloc[at].reset_index(drop=True)
    rows["cell"] = cell
    rows["person"] = np.array([c[2] for c in CELLS])[cell]
    present = np.array([0, 0, 0, 0, 0, int(0.42 * weeks), int(0.75 * weeks)])
    who = rng.dirichlet(np.full(PEOPLE, 3.0)) * (present[None] <= rows["week"].to_numpy()[:, None])
    pick = (who.cumsum(1) / who.sum(1, keepdims=True) < rng.random(len(rows))[:, None]).sum(1)
    rows["operator"] = np.where(rows["person"], pick, -1)
    return rows


def _starts(count: int, weeks: int) -> np.ndarray:
    """Weeks in which machines or materials of one process appear: the last of five or more comes midway."""
    start = np.zeros(count, int)
    if count >= 5:
        start[-1] = int((0.5 if count > 5 else 0.66) * weeks)
    return start


def _chosen(
    rng: np.random.Generator, process: np.ndarray, week: np.ndarray, owner: np.ndarray, start: np.ndarray
) -> np.ndarray:
    """A machine or material of the process that is there in the week; earlier ones are used more."""
    weight = 1.0 / (1 + np.arange(len(owner)) % 7)
    free = (owner == process[:, None]) & (start <= week[:, None])
    share = (weight * free).cumsum(1) / (weight * free).sum(1, keepdims=True)
    return (share < rng.random(len(process))[:, None]).sum(1)


def _locations(rng: np.random.Generator, rows: pd.DataFrame, weeks: int, jump_sd: tuple[float, float]) -> None:
    count = len(CELLS)
    process = np.array([PROCESSES.index(cell[0]) for cell in CELLS])
    names = sorted({cell[1] for cell in CELLS})
    stage = np.array([names.index(cell[1]) for cell in CELLS])
    person = np.array([cell[2] for cell in CELLS])
    c, x, p = rows["cell"].to_numpy(), rows["size"].to_numpy(), rows["person"].to_numpy()
    middle = 0.1 + rng.normal(0, 0.1, 3)[process] + rng.normal(0, 0.15, len(names))[stage] + rng.normal(0, 0.1, count)
    slope = rng.normal(-0.03, 0.03, 3)[process] + rng.normal(0, 0.05, count)
    bend = np.where(person, 0, rng.normal(0, 0.02, count))
    location = middle[c] + slope[c] * x + bend[c] * (x**2 - 1)
    m, t, o = (rows[name].to_numpy() for name in ("machine", "material", "operator"))
    machines, materials = sum(MACHINES), sum(MATERIALS)
    location += rng.normal(0, 0.06, machines)[m] * np.where(p, 0.3, 1)
    location += rng.normal(0, 0.04, (machines, count))[m, c] * ~p
    location += rng.normal(0, 0.07, materials)[t] + rng.normal(0, 0.05, (materials, count))[t, c]
    printing = np.array([cell[1] == "printing" for cell in CELLS])[c]
    location += rng.normal(0, 0.03, materials)[t] * x * printing
    location += (rng.normal(0, 0.12, PEOPLE)[o] + rng.normal(0, 0.06, (PEOPLE, count))[o, c]) * p
    scale = np.where(person, 0.20, 0.055) * np.exp(rng.normal(0, 0.3, count))
    rows["df"] = rng.choice([4, 5, 6, 8], count)[c]
    person_scale = rng.normal(0, 0.15, PEOPLE)
    rows["sigma"] = scale[c] * np.exp(-0.15 * x + np.where(p, person_scale[o], 0))
    rows["tau"] = np.where(p, 1.0, MACHINE_LOAD) * BUILD_SD
    level, since = _levels(rng, weeks, person, names, stage, scale, jump_sd)
    rows["since_step"] = rows["week"] - since[rows["week"], c]
    broken, when, by = (
        rng.integers(0, MACHINES[0] - 1),
        rng.integers(weeks // 3, 4 * weeks // 5),
        rng.choice([-0.15, 0.15]),
    )
    by *= jump_sd[1] > 0
    jumped = by * ((m == broken) & (rows["week"].to_numpy() >= when) & printing)
    rows["moved"], rows["jumped"] = level[rows["week"], c], jumped
    rows["whole_sd"] = np.sqrt(scale**2 * 1.6 + (np.where(person, 1.0, MACHINE_LOAD) * BUILD_SD) ** 2)[c]
    rows["location"] = (location + jumped) + level[rows["week"], c]


def _levels(
    rng: np.random.Generator,
    weeks: int,
    person: np.ndarray,
    names: list[str],
    stage: np.ndarray,
    scale: np.ndarray,
    jump_sd: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Level of each cell by week, and the week of its last jump (-1000: none)."""
    count = len(person)
    creep = rng.normal(0, 0.006, (weeks, count)) * np.where(person, 1.5, 0.7)
    creep[0] = 0
    level, since = creep.cumsum(0), np.full((weeks, count), -1000)
    whole = np.sqrt(scale**2 * 1.6 + (np.where(person, 1.0, MACHINE_LOAD) * BUILD_SD) ** 2)
    often = np.array([i for i, cell in enumerate(CELLS) if cell[4] >= 0.2])
    jumps = [(i, rng.uniform(*jump_sd) * whole[i] * rng.choice([-1, 1])) for i in rng.choice(often, 10, replace=False)]
    jumps = [(i, int(rng.integers(weeks // 4, 5 * weeks // 6)), by) for i, by in jumps]
    when, by = int(rng.integers(weeks // 3, 4 * weeks // 5)), rng.choice([-0.2, 0.2])
    by *= jump_sd[1] > 0
    jumps += [(i, when, by) for i in np.flatnonzero(stage == names.index("file_prep"))]
    for i, week, size in jumps:
        level[week:, i] += size
        since[week:, i] = np.maximum(since[week:, i], week)
    return level, since


def _noise(rng: np.random.Generator, rows: pd.DataFrame) -> None:
    n = len(rows)
    y = rows["location"] + rows["tau"] * rows["shared"] + rows["sigma"] * rng.standard_t(rows["df"])
    gross = rng.random(n) < GROSS * np.where(rows["person"], 1.3, 0.7)
    wrong = np.where(rng.random(n) < 0.6, np.log(rng.uniform(5, 20, n)), np.log(rng.uniform(0.002, 0.05, n)))
    rows["gross"], rows["y"] = gross, y + np.where(gross, wrong, 0.0)
    minutes = np.array([cell[3] for cell in CELLS])[rows["cell"]]
    printing = np.array([cell[1] == "printing" for cell in CELLS])[rows["cell"]]
    rows["baseline_min"] = minutes * np.exp(np.where(printing, 0.9, 0.3) * rows["size"])
    aborted = set(np.flatnonzero(rng.random(int(rows["build"].max()) + 1) < ABORTED).tolist())
    stopped = rows["build"].isin(aborted) & printing
    rows["stopped"] = stopped
    rows["y"] += np.where(stopped, np.log(rng.uniform(0.02, 0.98, n)), 0.0)
    order = {"printing": 2, "warm_up": 1, "file_prep": 0, "machine_setup": 0}
    place = np.array([order.get(cell[1], 3) for cell in CELLS])[rows["cell"]]
    rows.drop(rows.index[rows["build"].isin(aborted) & (place > 2)], inplace=True)
    rows.reset_index(drop=True, inplace=True)


def _times(rng: np.random.Generator, rows: pd.DataFrame) -> None:
    minutes = rng.integers(0, 5 * 24 * 60, len(rows))
    rows["ended_at"] = MONDAY + pd.to_timedelta(rows["week"].to_numpy() * 7 * 24 * 60 + minutes, unit="min")


def _logged(rng: np.random.Generator, rows: pd.DataFrame) -> pd.DataFrame:
    logged = rows["person"] & (rng.random(len(rows)) >= NOT_LOGGED)
    return pd.DataFrame(
        {
            "process": [CELLS[c][0] for c in rows["cell"]],
            "stage": [CELLS[c][1] for c in rows["cell"]],
            "baseline_min": rows["baseline_min"],
            "actual_min": rows["baseline_min"] * np.exp(rows["y"]),
            "ended_at": rows["ended_at"],
            "machine": "M" + rows["machine"].astype(str),
            "operator": [f"P{o}" if ok else None for o, ok in zip(rows["operator"], logged, strict=True)],
            "material": "R" + rows["material"].astype(str),
            "build_id": "B" + rows["build"].astype(str),
            "attended": rows["person"],
            "censored": rows["stopped"],
        }
    )


def oracle(truth: pd.DataFrame, levels: np.ndarray = LEVELS) -> np.ndarray:
    """Quantiles of y by a model that knows everything but the build's effect and the noise, shape (rows, levels)."""
    z, weight = np.polynomial.hermite_e.hermegauss(41)
    weight = weight / weight.sum()
    reach = np.sinh(np.linspace(-6.5, 6.5, 1601))
    share = np.linspace(0, 12, 97)
    result = np.empty((len(truth), len(levels)))
    ratio = np.clip(truth["tau"] / truth["sigma"], 0, 12).to_numpy()
    for df in truth["df"].unique():
        table = [np.interp(levels, stats.t.cdf(reach[:, None] - s * z, df) @ weight, reach) for s in share]
        here = (truth["df"] == df).to_numpy()
        for j, column in enumerate(np.array(table).T):
            result[here, j] = np.interp(ratio[here], share, column)
    return truth["location"].to_numpy()[:, None] + truth["sigma"].to_numpy()[:, None] * result
