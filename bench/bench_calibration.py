"""Score, coverage and speed of the calibration on simulated labs whose truth is known; the oracle's score is 1.

python bench/bench_calibration.py [--seeds 1,2,3,4,5] [--peers] [--sparse 50] [--jobs] [--speed]
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from simulator import LEVELS, Lab, oracle, simulate

from calib.calibration.calibrator import Calibrator
from calib.calibration.replay import replay
from calib.calibration.scores import interval_score

FIRST_WEEK = 8


def scored(labs: list[Lab], tables: list[pd.DataFrame]) -> pd.DataFrame:
    """One row for each scored run of all labs: what was said, what the oracle says, what happened."""
    frames = []
    for number, (lab, table) in enumerate(zip(labs, tables, strict=True)):
        truth = lab.truth.iloc[table["source"]].reset_index(drop=True)
        said = np.log(table[list(LEVELS)].to_numpy() / table["baseline_min"].to_numpy()[:, None])
        told = oracle(truth)
        y = truth["y"].to_numpy()
        frame = truth.assign(
            lab=number,
            behind=table["runs_behind"].to_numpy(),
            score=interval_score(y, said[:, 2], said[:, 6], 0.8),
            best=interval_score(y, told[:, 2], told[:, 6], 0.8),
            **{
                f"c{100 * (LEVELS[-1 - i] - LEVELS[i]):.0f}": (y >= said[:, i]) & (y <= said[:, -1 - i])
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


def peers(labs: list[Lab], step: int = 4) -> None:
    from peers import PEERS, replay_peer

    for name, peer in PEERS.items():
        start = time.perf_counter()
        tables = [replay_peer(peer, lab.runs, ("process", "stage"), step) for lab in labs]
        show(name, scored(labs, tables), (time.perf_counter() - start) / len(labs))


def jobs(labs: list[Lab], draws: int = 2000) -> None:
    """Whole builds of the last weeks: 80 % range of the total from joint draws, fitted on what came before."""
    inside, said, best = [], [], []
    rng = np.random.default_rng(1)
    for lab in labs:
        for week in range(20, int(lab.truth["week"].max()) + 1, 8):
            made = Calibrator().fit(lab.runs[lab.truth["week"] < week])
            now = lab.truth[lab.truth["week"] == week]
            for _, rows in now.groupby("build"):
                if rows["gross"].any() or rows["stopped"].any():
                    continue
                total = np.log(made.draws(lab.runs.loc[rows.index], draws, seed=1).sum(axis=1))
                y = rows["location"].to_numpy() + rows["tau"].to_numpy() * rng.standard_normal((draws, 1))
                y = y + rows["sigma"].to_numpy() * rng.standard_t(rows["df"].to_numpy(), (draws, len(rows)))
                told = np.log((rows["baseline_min"].to_numpy() * np.exp(y)).sum(axis=1))
                actual = float(np.log((rows["baseline_min"] * np.exp(rows["y"])).sum()))
                low, high = np.quantile(total, [0.1, 0.9])
                inside.append(low <= actual <= high)
                said.append(interval_score(actual, low, high, 0.8))
                best.append(interval_score(actual, *np.quantile(told, [0.1, 0.9]), 0.8))
    print(f"whole jobs: {100 * np.mean(inside):.1f} at 80, score {np.mean(said) / np.mean(best):.3f} (n={len(inside)})")


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1,2,3,4,5")
    parser.add_argument("--peers", action="store_true", help="well-known libraries' models beside ours")
    parser.add_argument(
        "--sparse", type=int, default=0, metavar="N", help="N labs of 40 weeks, for cells under 10 runs"
    )
    parser.add_argument("--jobs", action="store_true", help="whole jobs")
    parser.add_argument("--speed", action="store_true")
    options = parser.parse_args()
    labs = [simulate(int(seed)) for seed in options.seeds.split(",") if seed]
    if labs:
        ours(labs)
        if options.peers:
            peers(labs)
        if options.jobs:
            jobs(labs)
    if options.sparse:
        ours([simulate(1000 + seed, weeks=40) for seed in range(options.sparse)])
    if options.speed:
        speed()


if __name__ == "__main__":
    main()
