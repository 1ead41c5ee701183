"""Simulation-based calibration (Talts et al. 2018, arXiv 1804.06788): labs drawn from the model's own prior.

python bench/bench_prior.py [--labs 200] [--first 0] [--quick]

Every block of the model gets effects of its own starting spread, levels walk by heavy-tailed steps, runs of a build share
an effect, noise is Student-t with its own scale by cell, size and person, and some runs are gross errors.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from scipy import stats

from calib.calibration.calibrator import Calibrator
from calib.calibration.design import Block, Coded, location_blocks, scale_blocks
from calib.calibration.encoder import Encoder
from calib.calibration.normal_plus_t import normal_cdf
from calib.calibration.options import Options
from calib.calibration.random_walk import STEP_START
from calib.calibration.robust import GROSS_DENSITY, GROSS_SHARE
from calib.calibration.rows import UNKNOWN, Rows, read_runs
from calib.calibration.state import BUILD_START, LOAD_START, SCALE_OFFSET

RUNS, WEEKS, NEW = 240, 10, 20
OF_ALL_WORK = 0.3  # sd of what has a flat prior in the model


def plan_of_work(rng: np.random.Generator) -> pd.DataFrame:
    """Who does what, where and when; the last NEW rows are the new runs, each of a build of its own."""
    n = RUNS + NEW
    stage = rng.choice(["printing", "file_prep", "inspection", "packing", "cool_down"], n)
    process = rng.choice(["MEX", "VPP", "PBF"], n)
    machine = np.char.add(np.char.add(process, "-"), rng.integers(1, 3, n).astype(str))
    by_hand = ~np.isin(stage, ["printing", "cool_down"])
    baseline = np.exp(rng.normal(3.7, 0.6, n))
    minute = np.append(np.sort(rng.integers(0, WEEKS * 10080, RUNS)), WEEKS * 10080 + np.arange(NEW))
    return pd.DataFrame(
        {
            "process": process,
            "stage": stage,
            "machine": machine,
            "operator": np.where(by_hand, rng.choice(["a", "b", "c"], n), None),
            "material": rng.choice(["x", "y"], n),
            "build_id": [f"b{i}" for i in np.append(rng.integers(0, RUNS // 4, RUNS), -1 - np.arange(NEW))],
            "baseline_min": baseline,
            "actual_min": baseline,
            "ended_at": pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(minute, unit="min"),
        }
    )


def coded_rows(frame: pd.DataFrame, options: Options) -> tuple[Rows, Coded]:
    rows, encoder = read_runs(frame, options), Encoder(options.group)
    encoder.fit(rows)
    coded = encoder.transform(rows)
    encoder.measure(coded, rows.log_baseline, learn=True)
    return rows, coded


def effects_of(blocks: tuple[Block, ...], coded: Coded, rng: np.random.Generator) -> np.ndarray:
    """Sum of each row's effects, one drawn for each key of each block."""
    total = np.zeros(len(coded.size))
    for block in blocks:
        key, value = coded.key_of(block), coded.value_of(block)
        if block.name != "level" and (key != UNKNOWN).any():
            _, place = np.unique(key, return_inverse=True)
            sd = OF_ALL_WORK if block.name == "whole" else block.start_sd
            total += np.where(key == UNKNOWN, 0.0, value * rng.normal(0, sd, place.max() + 1)[place])
    return total


def walks(coded: Coded, week: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Where each row's level has walked to."""
    steps = np.sqrt(STEP_START) * rng.standard_t(2, (int(coded.codes["cell"].max()) + 1, WEEKS))
    return np.cumsum(steps, axis=1)[coded.codes["cell"], np.minimum(week, WEEKS - 1)]


def lab(seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    """A lab's runs with the new ones last, and the true locations of those."""
    rng = np.random.default_rng([77, seed])
    options, frame = Options(), plan_of_work(rng)
    rows, coded = coded_rows(frame, options)
    location = effects_of(location_blocks(options), coded, rng) + walks(coded, rows.week - rows.week.min(), rng)
    sigma = np.exp(SCALE_OFFSET + effects_of(scale_blocks(options), coded, rng))
    load = np.where(coded.attended == 1, 1.0, LOAD_START)
    build = load * np.sqrt(BUILD_START) * rng.standard_normal(rows.build.max() + 1)[rows.build]
    y = location + build + sigma * rng.standard_t(options.nu, len(sigma))
    gross = (rng.random(len(y)) < GROSS_SHARE) & (np.arange(len(y)) < RUNS)
    y = np.where(gross, location + rng.uniform(-0.5, 0.5, len(y)) / GROSS_DENSITY, y)
    frame = frame.iloc[rows.source].reset_index(drop=True)
    return frame.assign(actual_min=frame["baseline_min"] * np.exp(y)), location[-NEW:]


def ranks(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Where new runs fall among the model's draws, and their true locations among what the model thinks of them."""
    runs, location = lab(seed)
    made, new = Calibrator().fit(runs.iloc[:-NEW]), runs.iloc[-NEW:]
    below = (made.draws(new, 999, seed) < new["actual_min"].to_numpy()).sum(axis=0)
    _, expected = made._expected(new)
    of_location = normal_cdf((location - expected.location) / np.sqrt(expected.tau2))
    return (below + np.random.default_rng(seed).random(NEW)) / 1000, of_location


def show(what: str, first: np.ndarray, every: np.ndarray) -> None:
    """Ten equal classes of the first rank of each lab, within binomial error or not, and coverage of all."""
    counts = np.bincount((first * 10).astype(int).clip(0, 9), minlength=10)
    low, high = stats.binom.interval(0.999, len(first), 0.1)
    held = "within" if ((counts >= low) & (counts <= high)).all() else "NOT within"
    inside = ((every > 0.1) & (every < 0.9)).mean(axis=1)
    error = inside.std() / len(inside) ** 0.5
    print(
        f"{what:10s} {' '.join(f'{c:3d}' for c in counts)}  {held} {low:.0f} to {high:.0f}, "
        f"Kolmogorov p {stats.kstest(first, 'uniform').pvalue:.2f}; 80 % holds {100 * inside.mean():.1f} ± {100 * error:.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first lab; the next ones have the next")
    parser.add_argument("--quick", action="store_true", help="20 labs")
    options = parser.parse_args()
    start = time.process_time()
    found = [ranks(seed) for seed in range(options.first, options.first + (20 if options.quick else options.labs))]
    for what, values in zip(("new runs", "locations"), zip(*found, strict=True), strict=True):
        show(what, np.array([one[0] for one in values]), np.array(values))
    print(f"{len(found)} labs of {RUNS} runs, {time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
