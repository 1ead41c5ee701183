"""Score, coverage and speed of the calibration on simulated labs whose truth is known; the oracle's score is 1.

python bench/bench_calibration.py [--seeds 1,2,3,4,5] [--tangled 1] [--peers] [--sparse 50] [--jobs]
    [--known-law] [--speed] [--refit 24]
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from simulator import BUILD_SD, LEVELS, MACHINE_LOAD, Lab, oracle, simulate
from tangled import tangled

from calib.calibration import weekly
from calib.calibration.backtest import replay
from calib.calibration.builds import BuildEffect
from calib.calibration.calibrator import Calibrator
from calib.calibration.design import Block, location_blocks
from calib.calibration.forward_pass import begin
from calib.calibration.normal_equations import Moments, SharedEffect, accumulate, sparse_rows
from calib.calibration.options import Options
from calib.calibration.predict import draw_minutes
from calib.calibration.rows import read_runs
from calib.calibration.scores import interval_score

FIRST_WEEK = 8
SPARSE_WEEKS = 20  # a shorter run of many labs: a lab has some 30 runs in cells under 10
# true sd of the simulator's effects, and variance and machine's load of its builds: what --known-law gives the model
TRUE_SD = {"process": 0.1, "stage": 0.15, "cell": 0.1, "machine_cell": 0.04, "material": 0.07, "material_cell": 0.05,
           "operator": 0.12, "operator_cell": 0.06}  # fmt: skip
TRUE_BUILD, TRUE_LOAD = BUILD_SD**2, MACHINE_LOAD


def scored(labs: list[Lab], tables: list[pd.DataFrame]) -> pd.DataFrame:
    """One row for each scored run of all labs: the ranges given, what the oracle says, what happened."""
    frames = []
    for number, (lab, table) in enumerate(zip(labs, tables, strict=True)):
        truth = lab.truth.iloc[table["source"]].reset_index(drop=True)
        given = np.log(table[list(LEVELS)].to_numpy() / table["baseline_min"].to_numpy()[:, None])
        oracles = oracle(truth)
        y = truth["y"].to_numpy()
        frame = truth.assign(
            lab=number,
            behind=table["runs_behind"].to_numpy(),
            score=interval_score(y, given[:, 2], given[:, 6], 0.8),
            best=interval_score(y, oracles[:, 2], oracles[:, 6], 0.8),
            **{
                f"c{100 * (LEVELS[-1 - i] - LEVELS[i]):.0f}": (y >= given[:, i]) & (y <= given[:, -1 - i])
                for i in range(4)
            },
        )
        frames.append(frame[~truth["gross"] & ~truth["stopped"] & (truth["week"] >= FIRST_WEEK)])
    return pd.concat(frames, ignore_index=True)


def show(name: str, rows: pd.DataFrame, seconds: float) -> None:
    """One line of the table."""
    coverage = " / ".join(f"{100 * rows[c].mean():.1f}" for c in ("c50", "c80", "c90", "c95"))
    few, step = rows[rows["behind"] < 10], rows[rows["since_step"].between(0, 7)]
    cells = rows.groupby(["lab", "cell"])["c80"].agg(["mean", "size"]).query("size >= 40")
    limits = ((cells["mean"] - 0.8).abs() / np.sqrt(0.16 / cells["size"]) > 3.29).sum()
    print(
        f"{name:28s} {ratio(rows):.4f} | {coverage} | under 10 runs {part(few)} | after a step {part(step)} "
        f"(third week {part(rows[rows['since_step'] == 2])}) | "
        f"cells outside 99.9 %: {limits} of {len(cells)} | {seconds:.1f} s",
        flush=True,
    )


def ratio(rows: pd.DataFrame) -> float:
    return float(rows["score"].mean() / rows["best"].mean())


def part(rows: pd.DataFrame) -> str:
    return f"{100 * rows['c80'].mean():.1f}, {ratio(rows):.2f} (n={len(rows)})"


def ours(labs: list[Lab]) -> None:
    start = time.perf_counter()
    tables = [replay(lab.runs) for lab in labs]
    show("calib", scored(labs, tables), (time.perf_counter() - start) / len(labs))


def peers(labs: list[Lab], step: int) -> None:
    from peers import PEERS, replay_peer

    for name, peer in PEERS.items():
        start = time.perf_counter()
        tables = [replay_peer(peer, lab.runs, ("process", "stage"), step) for lab in labs]
        show(name, scored(labs, tables), (time.perf_counter() - start) / len(labs))


def tell_variances() -> None:
    """Tell the model the true variances from now on: near the bound of what any such model can reach.

    Those of sizes, of machines (which differ in how persons' stages show them), of steps and of noise stay learned.
    """

    def fixed_blocks(options: Options) -> tuple[Block, ...]:
        return tuple(
            replace(block, fixed=True, start_sd=TRUE_SD[block.name]) if block.name in TRUE_SD else block
            for block in location_blocks(options)
        )

    def keep(self: BuildEffect, *_: object) -> None:
        self.variance, self.machine_load = TRUE_BUILD, TRUE_LOAD

    weekly.location_blocks = fixed_blocks  # type: ignore[attr-defined]
    BuildEffect.learn = keep  # type: ignore[method-assign, assignment]


def jobs(labs: list[Lab], draws: int = 1000) -> None:
    """Whole builds of each week: 80 % range of the total from joint draws, from what was known before the week."""
    found = np.array([row for lab in labs for row in _jobs_of(lab, draws)])
    actual, low, high, best_low, best_high = found.T
    given, best = (interval_score(actual, *ends, 0.8).mean() for ends in ((low, high), (best_low, best_high)))
    inside = ((low <= actual) & (actual <= high)).mean()
    print(f"whole jobs: {100 * inside:.1f} at 80, score {given / best:.3f} (n={len(found)})")


def _jobs_of(lab: Lab, draws: int) -> Iterator[tuple[float, ...]]:
    """Log total of each job, and its 80 % range as given and as the oracle says."""
    rng = np.random.default_rng(1)
    rows = read_runs(lab.runs, Options())
    truth = lab.truth.iloc[rows.source].reset_index(drop=True)
    for week in begin(rows, Options()).weeks():
        now = truth.iloc[week.at].reset_index(drop=True)
        if now["week"].iloc[0] < FIRST_WEEK:
            continue
        minutes = draw_minutes(week.state, week.rows, week.prediction, draws, seed=1)
        for at in now.groupby("build").indices.values():
            job = now.iloc[at]
            if job["gross"].any() or job["stopped"].any():
                continue
            y = job["location"].to_numpy() + job["tau"].to_numpy() * rng.standard_normal((draws, 1))
            y = y + job["sigma"].to_numpy() * rng.standard_t(job["df"].to_numpy(), (draws, len(job)))
            true_total = (job["baseline_min"].to_numpy() * np.exp(y)).sum(axis=1)
            ends = (np.quantile(total, [0.1, 0.9]) for total in (minutes[:, at].sum(axis=1), true_total))
            yield tuple(np.log([(job["baseline_min"] * np.exp(job["y"])).sum(), *np.concatenate(list(ends))]))


def refit(seeds: list[int], weeks: int) -> None:
    """The weekly pass beside weighing every row of all weeks anew each week, to convergence."""
    labs = [simulate(seed, weeks=weeks) for seed in seeds]
    found = []
    for name, options in {"the weekly pass": {}, "all rows anew each week": {"window": weeks, "sweeps": 5}}.items():
        start = time.process_time()
        found.append([replay(lab.runs, options=options) for lab in labs])
        show(name, scored(labs, found[-1]), (time.process_time() - start) / len(labs))
    medians = (np.concatenate([np.log(table[0.5].to_numpy()) for table in tables]) for tables in found)
    apart = np.abs(np.subtract(*medians))
    print(f"medians differ by {100 * np.median(apart):.2f} % in the middle, {100 * apart.max():.1f} % at most")


def speed() -> None:
    """Seconds of a cold fit, of one more week, of a prediction and of joint draws, warm."""
    lab = simulate(11, weeks=60, builds_per_week=41.0)
    start = time.perf_counter()
    made = Calibrator().fit(lab.runs)
    whole = time.perf_counter() - start
    print(f"fit of {len(lab.runs)} runs with all one-step-ahead errors: {whole:.2f} s, {whole / 60:.3f} s a week")
    rows = lab.runs[lab.runs["process"] == "MEX"].iloc[:15].assign(build_id="one")
    made.predict(rows)
    made.draws(rows, 10_000, 1)
    start = time.perf_counter()
    made.predict(rows)
    made.draws(rows, 10_000, 1)
    print(f"15 stages, quantiles and 10,000 joint draws: {1000 * (time.perf_counter() - start):.1f} ms")
    half = simulate(12, weeks=26, builds_per_week=24.0)
    start = time.perf_counter()
    Calibrator().fit(half.runs)
    print(f"half a year, {len(half.runs)} runs: {time.perf_counter() - start:.2f} s")


def million(builds_per_week: float = 2000.0) -> None:
    """A cold fit of a million runs: seconds and memory."""
    runs = simulate(77, builds_per_week=builds_per_week).runs
    start, wall = time.process_time(), time.perf_counter()
    Calibrator().fit(runs)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    seconds, wall = time.process_time() - start, time.perf_counter() - wall
    print(f"a cold fit of {len(runs)} runs: {seconds:.1f} s of CPU, {wall:.1f} s, at most {peak:.0f} MB with the logs")


def sums() -> None:
    """CPU seconds to sum a million runs up as moments, chunk by chunk: what a refit of all history costs."""
    rows = read_runs(simulate(77, weeks=30).runs, Options())
    passing = begin(rows, Options())
    for _ in passing.weeks():
        pass
    learner, parts = passing.learner, np.arange(len(passing.coded.part_row))
    coded = passing.coded.take(parts, passing.coded.part_row)
    learner.encoder.measure(coded, rows.log_baseline, learn=False)
    shared = SharedEffect(np.unique(rows.build, return_inverse=True)[1], np.ones(rows.count), 0.01)
    start, total = time.process_time(), Moments(np.zeros(()), np.zeros(()))
    while total.rows < 1_000_000:
        entries = learner.design.entries(coded)
        design = sparse_rows(entries.row, entries.column, entries.value, (rows.count, learner.design.size))
        total = total + accumulate(design, rows.y, np.full(rows.count, 40.0), shared)
    seconds, peak = time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{total.rows} runs summed up, {learner.design.size} effects: {seconds:.1f} s of CPU, at most {peak:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1,2,3,4,5")
    parser.add_argument(
        "--tangled", type=float, default=0.0, metavar="STRENGTH", help="structure that no additive model holds"
    )
    parser.add_argument("--peers", action="store_true", help="well-known libraries' models beside ours")
    parser.add_argument(
        "--peer-step", type=int, default=4, metavar="WEEKS", help="peers learn anew every so many weeks"
    )
    parser.add_argument("--sparse", type=int, default=0, metavar="N", help="N short labs, for cells under 10 runs")
    parser.add_argument("--jobs", action="store_true", help="whole jobs")
    parser.add_argument("--known-law", action="store_true", help="give the model the true variances: near the bound")
    parser.add_argument("--speed", action="store_true")
    parser.add_argument("--refit", type=int, default=0, metavar="WEEKS", help="beside refitting every week: short labs")
    options = parser.parse_args()
    if options.known_law:
        tell_variances()
    seeds = [int(seed) for seed in options.seeds.split(",") if seed]
    if options.refit:
        refit(seeds, options.refit)
        return
    labs = [simulate(seed) for seed in seeds]
    if options.tangled:
        labs = [tangled(lab, seed, options.tangled) for lab, seed in zip(labs, seeds, strict=True)]
    if labs:
        ours(labs)
        if options.peers:
            peers(labs, options.peer_step)
        if options.jobs:
            jobs(labs)
    if options.sparse:
        ours([simulate(1000 + seed, weeks=SPARSE_WEEKS) for seed in range(options.sparse)])
    if options.speed:
        speed()
        sums()
        million()


if __name__ == "__main__":
    main()
