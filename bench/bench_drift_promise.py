"""Are the lab's false alarms as many as promised? For 10, 50 and 300 charts, and noise from normal to forgotten timers.

python bench/bench_drift_promise.py [--scale 4] [--quick] [--fitted]

Labs whose stages never move: 0.3 to 20 runs a week (log-uniform), 78 weeks, errors of a model that is right. All alarms of
levels and of spreads in the last year count, those of bench work charted together and of runs pooled by station and material too; 2 a lab-year are promised. The
ranges are 95 % Poisson ranges of the count (F. Garwood, Biometrika 28 (1936) 437-442). With --fitted the errors are those
that the calibration made at the time on the lab's runs, by three machines, three people and two materials that do not differ.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd

from calib.calibration.calibrator import Calibrator
from calib.drift.chart import find_alarms, news
from calib.drift.limits import lab_limits
from calib.drift.series import bench_together, find_series, pooled
from calib.drift.spread import sizes_of

WEEKS, YEAR, START = 78, 52.18, pd.Timestamp("2026-01-05", tz="UTC")
NOISES = ("normal", "heavy-tailed", "heavy-tailed, 3 % forgotten timers")
BENCH = ("unloading", "support_removal", "inspection", "packing", "sanding", "assembly", "machine_setup", "coating")
LABS = {10: 20, 50: 8, 300: 2}  # charts: labs, times --scale


def quiet_lab(rng: np.random.Generator, charts: int, noise: str) -> pd.DataFrame:
    """Errors of one lab as the calibration leaves them; every other chart is bench work, eight of one process."""
    lab = pd.concat([quiet_chart(rng, i, noise) for i in range(charts)], ignore_index=True)
    return lab.assign(station=rng.choice(["S1", "S2", "S3"], len(lab)), material=rng.choice(["R1", "R2"], len(lab)))


def quiet_chart(rng: np.random.Generator, i: int, noise: str) -> pd.DataFrame:
    n = int(max(rng.poisson(WEEKS * 0.3 * (20 / 0.3) ** rng.random()), 1))
    z = rng.standard_normal(n) if noise == "normal" else rng.standard_t(5, n) / np.sqrt(5 / 3)
    z = z + np.where(rng.random(n) < 0.03 * ("timers" in noise), rng.uniform(5, 15, n), 0.0)
    hands = i % 2 == 0
    return pd.DataFrame({
        "process": f"P{i // 16}", "stage": BENCH[i // 2 % 8] if hands else f"machine-{i}",
        "ended_at": START + pd.to_timedelta(np.sort(rng.uniform(0, WEEKS, n)) * 7, unit="D"), "baseline_min": 30.0,
        "expected_min": 30.0, "actual_min": 30 * np.exp(0.2 * z), "scale": 0.2, "covariate_effect": 0.0, "censored": False,
        "found": False,
    })  # fmt: skip


def fitted(lab: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Errors that the calibration made of the lab's runs at the time."""
    runs = lab[["process", "stage", "ended_at", "baseline_min", "actual_min", "censored"]].assign(
        machine=rng.choice(["M1", "M2", "M3"], len(lab)), operator=rng.choice(["P1", "P2", "P3"], len(lab)),
        material=rng.choice(["R1", "R2"], len(lab)), build_id=[f"B{i}" for i in range(len(lab))],
        attended=lab["stage"].isin(BENCH),
    )  # fmt: skip
    return Calibrator().fit(runs.sort_values("ended_at", ignore_index=True)).errors_


def false_alarms(errors: pd.DataFrame, a_year: float = 2.0) -> int:
    """Alarms of the last year."""
    as_of = errors["ended_at"].max()
    charts = find_series(errors, as_of)
    charts = [chart for chart in charts + bench_together(charts) + pooled(charts) if chart.enough]
    late = max(chart.at[-1] for chart in charts) - YEAR * 7
    count = 0
    for chart, (level, spread) in zip(charts, lab_limits(charts, a_year), strict=True):
        sizes = sizes_of(chart)
        found = news(chart.value, chart.scale, find_alarms(chart.value, chart.scale, level, chart.pace, chart.settled))
        found += find_alarms(sizes, np.ones(len(sizes)), spread, chart.pace, chart.settled)
        count += sum(chart.at[alarm.run] > late for alarm in found)
    return count


def main() -> None:
    from scipy.stats import chi2

    parser = argparse.ArgumentParser()
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--fitted", action="store_true")
    chosen = parser.parse_args()
    print(f"{'charts':>6}  {'noise':36} false alarms a lab-year (95 % range), lab-years")
    for charts, labs in LABS.items():
        labs = max(1, int(labs * (0.2 if chosen.quick else chosen.scale)))
        for noise in NOISES:
            found = 0
            for i in range(labs):
                rng = np.random.default_rng([5, charts, i])
                lab = quiet_lab(rng, charts, noise)
                found += false_alarms(fitted(lab, rng) if chosen.fitted else lab)
            low, high = chi2.ppf(0.025, 2 * found) / 2 if found else 0.0, chi2.ppf(0.975, 2 * found + 2) / 2
            print(
                f"{charts:6}  {noise:36} {found / labs:5.2f} ({low / labs:.2f} to {high / labs:.2f}), {labs}",
                flush=True,
            )


if __name__ == "__main__":
    main()
