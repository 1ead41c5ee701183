"""The correction of one cell split into its effects, each with its range: what ``calib why`` shows.

A cell's level, a machine's effect and a person's are not known one by one where one machine did all the runs: each has
a wide range and their sum a narrow one. So values of a factor are compared with the cell's usual mix, which is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from calib.calibration.joint import effect_covariance
from calib.calibration.options import FACTORS
from calib.calibration.state import Predictive, State, dense_rows
from calib.calibration.vocabulary import SEPARATOR

WIDTH = 1.2816  # normal score of an 80 % range
SAMPLE = 40  # last runs of a cell that stand for what it usually does
NOTHING = 1e-6  # [per cent]
SIZES_DIFFER = 1.2  # largest over smallest baseline from which on an effect of size can have been learned
PERSON_RUNS = 10  # a person is not told apart below so many runs in the cell
COLUMNS = ["kind", "factor", "value", "per_cent", "low", "high", "runs"]

Expect = Callable[[pd.DataFrame], Predictive]


def split_correction(state: State, expect: Expect, runs: pd.DataFrame) -> pd.DataFrame:
    """Effects on a typical run of one cell, in per cent with their 80 % ranges.

    runs : all runs of the cell in order of their ends, or rows to come where there are none; the last ``SAMPLE`` are
        what is typical
    Returns kind, factor, value, per_cent, low, high, runs (behind it); kinds are
        total : a typical run against its baseline; parts multiply to it
        part : what all work, the process, the stage, the cell, its recent change and each factor give to it
        value : a machine (station, material, person) against the usual mix of them; persons only from PERSON_RUNS
            runs on, and in the order of their names
        size : a run of twice the usual baseline against one of the usual; only where sizes differ
    """
    typical = runs.tail(SAMPLE)
    usual = np.full(len(typical), 1 / len(typical))
    expected = expect(typical)
    counts = _runs_behind(state, typical)
    rows = [("total", "", "", *_contrast(state, expected, usual), counts["cell"])]
    rows += [("part", family, "", *effect, counts.get(family, counts["cell"]))
             for family, effect in _parts(state, expected, usual)]  # fmt: skip
    for factor, value, count, labels in _values(runs):
        effect = _against(state, expect, typical, typical.assign(**labels))
        if effect[2] - effect[1] > NOTHING:  # persons have no effect where nobody works
            rows.append(("value", factor, value, *effect, count))
    if typical["baseline_min"].max() > SIZES_DIFFER * typical["baseline_min"].min():
        twice = typical.assign(baseline_min=2 * typical["baseline_min"])
        effect = _against(state, expect, typical, twice)
        rows.append(("size", "size", "twice as large", *effect, counts["cell"]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _values(runs: pd.DataFrame) -> Iterator[tuple[str, str, int, dict[str, str]]]:
    """Values that can be told apart: those of factors with several, persons with runs enough.

    A factor that always goes with an earlier one (a printer is machine and station) is one with it: the last of the
    four says which labels a run of that value has.
    """
    several = [factor for factor in FACTORS if factor in runs and runs[factor].nunique() > 1]
    codes = {factor: pd.factorize(runs[factor])[0] for factor in several}
    for i, factor in enumerate(several):
        if any(np.array_equal(codes[factor], codes[earlier]) for earlier in several[:i]):
            continue
        alike = [name for name in several[i:] if np.array_equal(codes[name], codes[factor])]
        for value, rows in runs.groupby(factor, sort=True):
            if len(rows) >= (PERSON_RUNS if "operator" in alike else 1):
                yield factor, str(value), len(rows), {name: rows[name].iloc[0] for name in alike}


def _against(state: State, expect: Expect, typical: pd.DataFrame, other: pd.DataFrame) -> tuple[float, float, float]:
    """The mean of ``other`` rows against that of the typical ones."""
    n = len(typical)
    weight = np.repeat([1 / n, -1 / n], n)
    return _contrast(state, expect(pd.concat([other, typical], ignore_index=True)), weight)


def _contrast(state: State, expected: Predictive, weight: np.ndarray) -> tuple[float, float, float]:
    """A weighted sum of rows' locations as per cent, with its 80 % range."""
    variance = float(weight @ effect_covariance(state, expected, len(weight)) @ weight)
    return _per_cent(float(weight @ expected.location), variance)


def _per_cent(mean: float, variance: float) -> tuple[float, float, float]:
    sd = np.sqrt(max(variance, 0.0))
    middle, low, high = (100 * float(np.expm1(mean + k * sd)) for k in (0.0, -WIDTH, WIDTH))
    return middle, low, high


def _parts(state: State, expected: Predictive, usual: np.ndarray) -> Iterator[tuple[str, tuple[float, float, float]]]:
    """The location of a typical run as a sum over families of effects."""
    entries = expected.entries
    used, design = dense_rows(entries.row, entries.column, entries.value, len(usual))
    weight = usual @ design
    covariance = state.location.covariance[np.ix_(used, used)]
    for family, names in _families(state).items():
        columns = np.concatenate([state.design.columns[name] for name in names])
        own = np.where(np.isin(used, columns), weight, 0.0)
        if own.any():
            yield family, _per_cent(float(own @ state.location.mean[used]), float(own @ covariance @ own))


def _families(state: State) -> dict[str, list[str]]:
    """Names of blocks by what they are about: size_cell is about size, machine_cell about the machine."""
    families: dict[str, list[str]] = {}
    for block in state.design.blocks:
        about = block.name.split("_")[0] if block.name not in state.options.group else block.name
        about = "size" if about == "bend" else about
        families.setdefault(about, []).append(block.name)
    return families


def _runs_behind(state: State, typical: pd.DataFrame) -> dict[str, int]:
    """Runs that effects were learned from: of all work, of each column of the group, and of the cell."""
    labels = [str(typical[name].iloc[0]) for name in state.options.group]
    cells = [label.split(SEPARATOR) for label in state.vocabulary.labels("cell")[: len(state.runs)]]
    counts = {"whole": state.runs.sum(), "cell": sum(n for n, c in zip(state.runs, cells, strict=True) if c == labels)}
    for i, name in enumerate(state.options.group):
        counts[name] = sum(n for n, c in zip(state.runs, cells, strict=True) if c[i] == labels[i])
    return {name: int(n) for name, n in counts.items()}
