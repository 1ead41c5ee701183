"""The correction of one cell split into its effects, each with its range: what ``calib why`` shows.

A cell's level, a machine's effect and a person's are not known one by one where one machine did all the runs: each has
a wide range and their sum a narrow one. So values of a factor are compared with the cell's usual mix, which is known.

What would narrow a range most: more runs of what, and how much of it no number of runs takes away.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from calib.calibration.encoder import SEPARATOR
from calib.calibration.normal_plus_t import normal_score, quantile
from calib.calibration.options import FACTORS
from calib.calibration.predict import effect_covariance, runs_behind
from calib.calibration.rows import Rows
from calib.calibration.state import UNLEARNED_SD, Predictive, State, dense_rows

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
    cells = [label.split(SEPARATOR) for label in state.encoder.labels("cell")[: len(state.runs)]]
    counts = {"whole": state.runs.sum(), "cell": sum(n for n, c in zip(state.runs, cells, strict=True) if c == labels)}
    for i, name in enumerate(state.options.group):
        counts[name] = sum(n for n, c in zip(state.runs, cells, strict=True) if c[i] == labels[i])
    return {name: int(n) for name, n in counts.items()}


EDGE = normal_score(np.array([0.9]))  # upper end of the 80 % ranges that are compared
TRIED = ("machine", "station", "material")
EVER = 1e9  # runs without end


def narrowing(state: State, rows: Rows, expected: Predictive, more: int, by: tuple[str, ...] = TRIED) -> pd.DataFrame:
    """How wide the range of typical runs is now, and how wide it would be after ``more`` runs of what.

    rows : typical runs of one cell; expected : what the state expects of them; more : runs to come, 1 or more
    by : factors whose values are tried one by one, where there are several
    What a label that nobody says hides of a run (who, on which machine) stays hidden however many runs there are: it
    counts as noise, and as what no run takes away. The noise of single runs is taken as it is thought to be now: what more runs teach about that comes on top.
    Returns by ('all' for runs like these), value, more, now_pct, then_pct, least_pct, narrowest first: the half-width
    of the 80 % range as a percentage (a factor of 1.4 either way is 40), now, then, and with runs without end.
    """
    covariance = effect_covariance(state, expected, rows.count, unsaid=False)
    drift2 = np.maximum(expected.tau2 - np.diag(covariance), 0.0)
    now, least = (
        _half_width(state, rows, expected, k * np.diag(covariance) + drift2, m) for k, m in ((1, 0), (0, EVER))
    )
    found = []
    for factor, value, at in _candidates(rows, by):
        later = np.diag(after_more(covariance, _noise_of_mean(state, expected) + drift2, at, more))
        found.append((factor, value, more, now, _half_width(state, rows, expected, later + drift2, more), least))
    table = pd.DataFrame(found, columns=["by", "value", "more", "now_pct", "then_pct", "least_pct"])
    return table.sort_values("then_pct", kind="stable", ignore_index=True)


def after_more(covariance: np.ndarray, noise2: np.ndarray, at: np.ndarray, more: float) -> np.ndarray:
    """Covariance of locations after ``more`` runs, spread evenly over rows like those at ``at``.

    covariance : shape (n, n) of the rows' locations; noise2 : shape (n,), variance of one run around its location
    K' = K - K_S (R + K_SS)^-1 K_S', the posterior of a linear model (Rasmussen and Williams 2006, 'Gaussian processes
    for machine learning', eq. 2.24), with the noise R of a mean over the runs of each row.

    One location known to a variance of 4, five runs of variance 10: 1 / (1/4 + 5/10)

    >>> float(after_more(np.array([[4.0]]), np.array([10.0]), np.array([0]), 5).round(4)[0, 0])
    1.3333
    """
    noise = np.diag(noise2[at] * len(at) / more)
    solved = np.linalg.solve(covariance[np.ix_(at, at)] + noise, covariance[at])
    return np.asarray(covariance - covariance[:, at] @ solved)


def _candidates(rows: Rows, by: tuple[str, ...]) -> Iterator[tuple[str, str, np.ndarray]]:
    yield "all", "", np.arange(rows.count)
    for factor in by:
        labels = rows.labels[factor][np.searchsorted(rows.part_row, np.arange(rows.count))]
        values = sorted({value for value in labels if value is not None})
        for value in values if len(values) > 1 else ():
            yield factor, value, np.flatnonzero(labels == value)


def _noise_of_mean(state: State, expected: Predictive) -> np.ndarray:
    """What one run's own noise and its build hide of its location: one over the Student-t's Fisher information."""
    nu = state.options.nu
    return expected.sigma**2 * (nu + 3) / (nu + 1) + state.build_variance * expected.load**2


def _half_width(state: State, rows: Rows, expected: Predictive, tau2: np.ndarray, more: float) -> float:
    """Half-width of the rows' ranges, in per cent, given the variance of what is not known of their locations."""
    nu = state.options.nu
    noise2 = expected.sigma**2 * nu / (nu - 2)
    if not state.runs.sum():
        prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, UNLEARNED_SD) ** 2
        noise2 = np.minimum(noise2, prior2)
        sd = np.sqrt((prior2 - noise2) / (1 + more) + noise2)
        return float(100 * np.expm1((EDGE * sd).mean()))
    tau2 = tau2 + state.build_variance * expected.load**2 * (rows.build >= 0)
    prior2 = np.where(np.isfinite(rows.prior_sd), rows.prior_sd, 0.0) ** 2
    gap = np.maximum(prior2 - tau2 - noise2, 0.0)
    tau = np.sqrt(tau2 + gap / (1 + runs_behind(state, expected) + more) ** 2)
    edge = state.recalibration.stretched(EDGE, expected.cell, expected.attended)
    return float(100 * np.expm1(quantile(edge, tau, expected.sigma, nu).mean()))
