"""Charts alone: 200 lab-years of 50 charts, peers' rules beside ours. Run: python bench/bench_drift.py [--quick]

Each chart has 0.3 to 40 runs a week (log-uniform), Student-t 5 noise of sd 1 and 2.5 % gross outliers of 5 to 15 sd,
three of five upwards. Five charts a year step by 0.5, 1 or 1.5 sd in weeks 8 to 26. A step is found by an alarm of its
sign within 26 weeks; its weeks are whole weeks until the alarm. All know the level before the first alarm. CUSUM
limits are tuned on quiet years of their own seed to 2 false alarms; ours come from a bootstrap of each lab's own runs. The likelihood detector is told the law of the noise (by a table) and
the size of the step. The gross outliers' sign and the window of 26 weeks are choices of this script.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from chart_peers import cusum_path, find_alarms, limit_for, log_run_lengths

from calib.drift import chart as ours
from calib.drift.limits import chart_limits

CHARTS, STEPS, SIZES, WINDOW = 50, 5, (0.5, 1.0, 1.5), 26
LAB_YEARS, NULL_YEARS = 200, 60
SLACK = 0.25  # of the CUSUM peers [sd]
Score = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Chart:
    """rate : runs a week; week : (n,) when; x : (n,) errors [sd]; step : week of the step or None; size : its size"""

    rate: float
    week: np.ndarray
    x: np.ndarray
    step: int | None = None
    size: float = 0.0


def noise(rng: np.random.Generator, n: int) -> np.ndarray:
    x = rng.standard_t(5, n) / np.sqrt(5 / 3)
    gross = rng.random(n) < 0.025
    return np.where(gross, x + np.where(rng.random(n) < 0.6, 1, -1) * rng.uniform(5, 15, n), x)


def lab_year(rng: np.random.Generator, steps: int = STEPS) -> list[Chart]:
    moved = set(rng.choice(CHARTS, steps, replace=False).tolist())
    return [one_chart(rng, i in moved) for i in range(CHARTS)]


def one_chart(rng: np.random.Generator, moves: bool) -> Chart:
    rate = 0.3 * (40 / 0.3) ** rng.random()
    n = int(rng.poisson(52 * rate))
    week, x = np.sort(rng.uniform(0, 52, n)), noise(rng, n)
    if not moves:
        return Chart(rate, week, x)
    step, size = int(rng.integers(8, 27)), float(rng.choice([-1, 1]) * rng.choice(SIZES))
    return Chart(rate, week, x + size * (week >= step), step, size)


@dataclass(frozen=True, eq=False)
class CusumRule:
    """A two-sided CUSUM on ``score``; limits by a chart's pace, or one run length for all.

    power : a chart's share of the false alarms goes with pace ** power; None: one run length everywhere
    stretch : factor on run lengths, set so that quiet lab-years have the false alarms asked for
    """

    score: Score
    power: float | None
    logs: np.ndarray
    stretch: float = 1.0

    def limits(self, lab: list[Chart]) -> list[float]:
        if self.power is None:
            return [limit_for(4000 * self.stretch, self.logs)] * len(lab)
        pace = np.array([chart.rate * 52 for chart in lab])
        share = 2.0 * pace**self.power / np.sum(pace**self.power)
        return [limit_for(2 * self.stretch * a / s, self.logs) for a, s in zip(pace, share, strict=True)]

    def alarms(self, lab: list[Chart]) -> list[list[tuple[float, int]]]:
        """Time and sign of every alarm of each chart."""
        return [
            [(chart.week[a.run], a.sign) for a in find_alarms(self.score(chart.x), SLACK, h)]
            for chart, h in zip(lab, self.limits(lab), strict=True)
        ]


def clipped(x: np.ndarray) -> np.ndarray:
    return np.clip(x, -2, 2)


class WeeklyDiscoveries:
    """Benjamini-Hochberg at 5 % over the board, each week, on the mean of each chart's last 12 clipped scores."""

    def alarms(self, lab: list[Chart]) -> list[list[tuple[float, int]]]:
        from scipy.stats import norm

        found: list[list[tuple[float, int]]] = [[] for _ in lab]
        since = [0] * len(lab)
        totals = [np.concatenate([[0.0], np.cumsum(clipped(chart.x))]) for chart in lab]
        for week in range(1, 53):
            end = [int(np.searchsorted(chart.week, week)) for chart in lab]
            start = [max(s, e - 12) for s, e in zip(since, end, strict=True)]
            count = np.maximum(np.subtract(end, start), 1)
            z = np.array([t[e] - t[s] for t, s, e in zip(totals, start, end, strict=True)]) / np.sqrt(count)
            p = 2 * norm.sf(np.abs(z))
            order = np.argsort(p)
            passed = np.flatnonzero(p[order] <= 0.05 * np.arange(1, len(p) + 1) / len(p))
            for i in order[: passed[-1] + 1] if len(passed) else ():
                found[i].append((float(week), int(np.sign(z[i]))))
                since[i] = end[i]
        return found


class Ours:
    """calib's chart, with limits from the lab's own runs."""

    def alarms(self, lab: list[Chart]) -> list[list[tuple[float, int]]]:
        enough = [i for i, chart in enumerate(lab) if len(chart.x) >= ours.LAGS[0]]
        pace = np.array([float(len(lab[i].x)) for i in enough])
        limits = chart_limits([lab[i].x for i in enough], pace, 2.0, level=ours.KNOWN_LEVEL)
        found: list[list[tuple[float, int]]] = [[] for _ in lab]
        for i, limit in zip(enough, limits, strict=True):
            chart = lab[i]
            ones = np.ones(len(chart.x))
            alarms = ours.find_alarms(chart.x, ones, limit, len(chart.x), 0, ours.KNOWN_LEVEL)
            found[i] = [(chart.week[a.run], a.sign) for a in ours.news(chart.x, ones, alarms)]
        return found


class KnowsAll:
    """Page's test on the log-likelihood ratio of the true noise law for the three sizes and both signs, limits tuned."""

    def __init__(self, stretch: float = 1.0) -> None:
        self.stretch = stretch
        sample = noise(np.random.default_rng(11), 4_000_000)
        share, edges = np.histogram(sample, np.arange(-20, 20.01, 0.1))
        smooth = np.convolve(share + 0.05, np.ones(3) / 3, "same")
        self.middle, self.log_density = (edges[1:] + edges[:-1]) / 2, np.log(smooth / smooth.sum())

    def ratio(self, x: np.ndarray, size: float) -> np.ndarray:
        at = np.clip(x, -19, 19)
        moved = np.interp(np.clip(x - size, -19, 19), self.middle, self.log_density)
        return np.clip(moved - np.interp(at, self.middle, self.log_density), -4, 4)

    def alarms(self, lab: list[Chart]) -> list[list[tuple[float, int]]]:
        found: list[list[tuple[float, int]]] = []
        for chart in lab:
            limit = np.log(self.stretch * 52 * chart.rate * len(lab) * len(SIZES) / 2) if chart.rate else np.inf
            best: list[tuple[float, int]] = []
            start = 0
            ratios = [(sign, self.ratio(chart.x, sign * size)) for sign in (1, -1) for size in SIZES]
            while start < len(chart.x):
                over = [(np.flatnonzero(cusum_path(r[start:], 0.0) > limit), sign) for sign, r in ratios]
                first = min(((hit[0], sign) for hit, sign in over if len(hit)), default=None)
                if first is None:
                    break
                best.append((chart.week[start + first[0]], first[1]))
                start += int(first[0]) + 1
            found.append(best)
        return found


Rule = CusumRule | WeeklyDiscoveries | Ours | KnowsAll


def false_alarms(rule: Rule, labs: list[list[Chart]]) -> float:
    return sum(len(alarms) for lab in labs for alarms in rule.alarms(lab)) / len(labs)


def tuned(rule: CusumRule, labs: list[list[Chart]], wanted: float = 2.0) -> CusumRule:
    """The rule with its run lengths stretched until quiet years of their own seed have ``wanted`` false alarms."""
    low, high = 0.02, 4.0
    for _ in range(10):
        stretch = float(np.sqrt(low * high))
        rule = CusumRule(rule.score, rule.power, rule.logs, stretch)
        low, high = (stretch, high) if false_alarms(rule, labs) > wanted else (low, stretch)
    return CusumRule(rule.score, rule.power, rule.logs, high)


def scored(rule: Rule, labs: list[list[Chart]]) -> str:
    false, found = 0, {size: [] for size in SIZES}
    for lab in labs:
        for chart, alarms in zip(lab, rule.alarms(lab), strict=True):
            if chart.step is None:
                false += len(alarms)
                continue
            false += sum(week < chart.step for week, _ in alarms)
            after = [week - chart.step for week, sign in alarms if week >= chart.step and sign * chart.size > 0]
            found[abs(chart.size)].append(after[0] if after and after[0] <= WINDOW else np.inf)
    cells = [f"{false / len(labs):5.2f}"]
    for delays in found.values():
        hit = np.isfinite(delays)
        cells.append(f"{100 * np.mean(hit):4.0f} %, {np.floor(np.median(np.array(delays)[hit])):2.0f}")
    return " | ".join(cells)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--labs", type=int, default=LAB_YEARS)
    chosen = parser.parse_args()
    years = (24, 16) if chosen.quick else (chosen.labs, NULL_YEARS)
    labs = [lab_year(np.random.default_rng([8, i])) for i in range(years[0])]
    quiet = [lab_year(np.random.default_rng([7, i]), 0) for i in range(years[1])]
    sample = noise(np.random.default_rng(9), 200_000)
    plain = log_run_lengths(clipped(np.concatenate([sample, -sample])), SLACK)
    known = KnowsAll(0.05)
    while false_alarms(known, quiet) > 2.0:
        known.stretch *= 1.3
    rules: dict[str, Rule] = {
        "clipped CUSUM, one limit (ARL0 2,000)": CusumRule(clipped, None, plain),
        "clipped CUSUM, chart by chart": tuned(CusumRule(clipped, 0.0, plain), quiet),
        "Benjamini-Hochberg 5 % weekly": WeeklyDiscoveries(),
        "likelihood, known density and sizes": known,
        "ours": Ours(),
    }
    print(f"{'rule':42} false a lab-year | 0.5 sd found, weeks | 1 sd | 1.5 sd")
    for name, rule in rules.items():
        print(f"{name:42} {scored(rule, labs)}", flush=True)


if __name__ == "__main__":
    main()
