"""The documents of a week, invented: what the page and the terminal are tried on."""

import numpy as np
import pandas as pd

SINCE = "2026-05-04"
EMPTY = dict.fromkeys(("since", "change_pct", "change_pct_low", "change_pct_high", "minutes_per_build"))


def chart(runs=60, since=None):
    at = pd.date_range("2026-03-02", "2026-06-28", periods=runs, tz="UTC")
    moved = np.where(at >= pd.Timestamp(since or "2262-01-01", tz="UTC"), 24.0, 0.0)
    return {
        "at": [one.isoformat() for one in at], "build_id": [f"B{i}" for i in range(runs)],
        "actual_min": [30.0] * runs, "actual_pct": (10 * np.sin(np.arange(runs)) + moved).tolist(),
        "expected_pct": [0.0] * runs, "low_pct": [-12.0] * runs, "high_pct": [12.0] * runs, "since": since,
    }  # fmt: skip


def stage(name, state="steady", process="VPP", runs=60, **more):
    found = {
        "process": process,
        "stage": name,
        "runs": runs,
        "state": state,
        "slices": [],
        "causes": [],
        "erratic": None,
    }
    return found | {"events": [], "accepted_since": None, "chart": chart(runs)} | EMPTY | more


def moved_stage(name, process="VPP", runs=60, **more):
    """A stage that takes 24 % longer since 4 May, because of one bath."""
    slices = [
        {"by": "station", "value": "bath <1>", "runs": 20, "change_pct": 30.0, "change_pct_low": 20.0,
         "change_pct_high": 41.0, "share": 0.9},
    ]  # fmt: skip
    event = {
        "at": "2026-05-06 08:00:00+00:00",
        "machine": None,
        "station": "bath <1>",
        "what": "new lamp",
        "note": None,
    }
    answer = {
        "shape": "step", "since": SINCE, "since_low": "2026-05-02", "since_high": "2026-05-06", "alarm_at": "2026-05-20",
        "change_pct": 24.0, "change_pct_low": 17.0, "change_pct_high": 31.0, "minutes_per_build": 8.0,
        "hours_a_month": 5.5, "plan_min": 33.0, "now_min": 41.0, "taken_up": 0.98, "where": "station bath <1>",
        "where_chance": 0.97, "slices": slices, "events": [event], "chart": chart(runs, since=SINCE),
    }  # fmt: skip
    return stage(name, "drifting", process, runs) | answer | more


def drift_of(*stages, together=()):
    return {
        "as_of": "2026-06-29", "false_alarms_per_year": 2.0, "stages": list(stages), "together": list(together), "pooled": [],
        "warnings": [],
    }  # fmt: skip


def peers_of(weeks, as_of="2026-05-02"):
    """A comparison with other models, as ``calib backtest --peers`` keeps it."""
    models = [("calib", 0.1, 0.0, 0.0), ("plan alone", 0.2, 100.0, 9.0), ("mixed model", 0.13, 30.0, 5.0)]
    return {
        "as_of": as_of, "weeks": weeks, "weeks_between": 3,
        "models": [{"name": name, "score": score, "held": 0.8, "seconds": 20.0, "behind_pct": behind, "noise_pct": noise}
                   for name, score, behind, noise in models],
    }  # fmt: skip


def full_week():
    """A week with something to say in every part of the page."""
    cells = [
        {"process": "VPP", "stage": name, "predictions": n, "coverage": {"80": held}, "interval_score": 0.5}
        for name, n, held in (("washing", 40, 0.6), ("post_curing", 90, 0.8), ("drying", 3, 1.0))
    ]
    wide = {"since": SINCE, "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0}
    bench = stage("bench_work", process="MEX", of=["assembly", "sanding"])
    return {
        "shop": "Gauge & Float",
        "drift": drift_of(
            moved_stage("post_curing"),
            stage("washing", erratic=wide),
            stage("printing", process="MEX", accepted_since="2026-04-01"),
            stage("draining", causes=["The mix of parts changed about 3 May 2026, not the stage: large runs."]),
            stage("a_stage_with_a_very_long_name_indeed", "too_few_runs", runs=3),
            together=[bench],
        ),
        "backtest": {"weeks": 9, "predictions": 400, "coverage": {"80": 0.79}, "cells": cells},
        "open_promises": {
            "start": "2026-06-08T08:00+01:00",
            "promises": [
                {"quote_id": "Q00003", "order_id": "R7", "part": "float.stl", "quantity": 6, "process": "VPP", "machine": "V1",
                 "promised_at": "2026-06-10T12:00+01:00", "chance_then": 0.93, "chance": 0.41, "state": "fell",
                 "because": "2 builds go before it on V1 (B7, B8)"},
                {"quote_id": "Q00004", "order_id": None, "part": "cap.stl", "quantity": 1, "process": "VPP", "machine": "V2",
                 "promised_at": "2026-06-12T17:30+01:00", "chance_then": 0.9, "chance": 0.95, "state": "sure", "because": None},
            ],
        },
        "quotes": {"quotes": 12, "inside": 10, "in_time": 11, "early": 1, "late": 1, "early_h": [3, 3], "late_h": [9, 9], "says": "as said"},
        "time_goes": {
            "rows": [
                {"process": "VPP", "touch_min": 600.0, "machine_min": 2400.0, "wait_min": 1500.0, "builds": 9},
                {"process": "MEX", "touch_min": 60.0, "machine_min": 0.0, "wait_min": 30.0, "builds": 1},
            ],
            "bottleneck": {"resource": "V1", "kind": "machine", "load": 0.8, "sooner_h": 5.7, "lead_time_h": 40.3}, "since": "2026-06-01",
            "printed": 10, "failed": 1,
        },
        "health": {
            "silent_machines": [{"machine": "V2", "last": "2026-06-01"}], "quarantined": 2, "held": 1, "to_confirm": 4,
            "questions": ["bench.csv line 9: washing of B7 took 18 h: forgotten timer?"],
            "below_floor": [{"build_id": "B9", "stage": "post_curing", "actual_min": 4.0, "floor_min": 20.0}],
        },
        "peers": peers_of(weeks=26),
        "notes": ["Logs were imported after the last fit. Run: calib fit"],
    }  # fmt: skip


def huge_week(stages=300, moved=20, machines=100):
    """As large a lab as the charts are made for: hundreds of stages, a hundred machines."""
    processes = ("MEX", "PBF", "VPP")
    drift = drift_of(
        *(moved_stage(f"moved_{i}", processes[i % 3], runs=2000, hours_a_month=float(i)) for i in range(moved)),
        *(stage(f"stage_{i}", process=processes[i % 3], runs=400) for i in range(stages - moved)),
    )
    silent = [{"machine": f"machine-{i:03d}", "last": "2026-05-01"} for i in range(machines)]
    cells = [
        {"process": one["process"], "stage": one["stage"], "predictions": 100, "coverage": {"80": 0.5}}
        for one in drift["stages"]
    ]
    backtest = {"weeks": 9, "predictions": 30_000, "coverage": {"80": 0.5}, "cells": cells}
    return full_week() | {"drift": drift, "backtest": backtest, "health": {"silent_machines": silent}}
