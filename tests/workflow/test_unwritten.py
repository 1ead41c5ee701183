"""Stages that run alone and are never written down, and prints that do not stop where the shop file says: from logs alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_waits import shop

from calib.calendar.clock import OpenClock
from calib.calibration.calibrator import Calibrator
from calib.quoting.learned import Unwritten, as_unwritten
from calib.shop.model import Machine
from calib.workflow.fitted import silent_of
from calib.workflow.side_models import machines_that_run_on
from calib.workflow.unwritten import COLUMNS, silent_table, unwritten_runs

HORIZON = pd.Timestamp("2027-01-01", tz="UTC")


def gaps_of(true: np.ndarray, baseline: np.ndarray, waits: np.ndarray) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Prints that end at any minute of many days, cooled for ``true`` minutes, opened by day after a wait; and gaps without
    a silent stage, which have the same waits."""
    rng, lab = np.random.default_rng(3), shop()
    clock, count = OpenClock(lab.hours, (), "UTC"), len(true)
    base = pd.Timestamp("2026-03-02", tz="UTC").timestamp() / 60
    ready = base + rng.uniform(0, 200 * 1440, count)
    started = clock.after(ready + true, waits)
    names = [f"b{n}" for n in range(count)]
    cooled = pd.DataFrame({"build_id": names, "process": "PBF", "stage": "unloading", "before": "printing", "past": 5.0, "place": 7,
                           "ready": ready, "started": started, "alone": 0.0})  # fmt: skip
    plain = cooled.assign(
        stage="packing", before="inspection", past=17.0, place=18, ready=clock.next_open(started + 60)
    )
    plain["started"] = clock.after(plain["ready"].to_numpy(float), waits)
    silent = pd.DataFrame({"build_id": names, "process": "PBF", "stage": "cool_down", "place": 6, "minutes": baseline,
                           "floor_min": 0.0, "alone": True})  # fmt: skip
    return pd.concat([cooled, plain], ignore_index=True), silent


def test_minutes_of_a_cooling_that_nobody_logs_come_from_the_gaps_though_most_end_in_the_night():
    rng = np.random.default_rng(4)
    baseline = np.exp(rng.uniform(np.log(120), np.log(700), 80))
    true = 1.5 * baseline * (baseline / 290) ** -0.2 * np.exp(0.15 * rng.standard_normal(80))
    found = unwritten_runs(*gaps_of(true, baseline, rng.exponential(15, 80)), shop())
    assert found[["process", "stage"]].to_numpy().tolist() == [["PBF", "cool_down"]]
    line = Unwritten(*found.loc[0, ["share", "slope", "middle_min", "sd"]])
    assert np.exp(np.mean(np.log(line.times(baseline) * baseline / true))) == pytest.approx(1.0, abs=0.1)
    assert line.slope == pytest.approx(-0.2, abs=0.15)
    assert line.sd == pytest.approx(0.15, abs=0.1)


def test_a_stage_shorter_than_a_wait_cannot_be_told_from_it():
    few = np.full(80, 9.0)
    assert unwritten_runs(*gaps_of(few, few, np.full(80, 30.0)), shop()).empty


def test_a_stage_that_may_as_well_not_be_done_ranges_from_next_to_nothing_to_its_baseline_but_keeps_its_least_time():
    few, likely = ("MEX", "design_adaptation"), ("MEX", "inspection")
    no_lines = pd.DataFrame(columns=COLUMNS)
    learned = silent_of(silent_table({few: 0.0, likely: 0.5}, no_lines, {few: 1.0, likely: 1.0}))
    assert learned[likely] == Unwritten(0.5)
    for least in (0.0, 15.0):
        known = {"process": ["MEX"], "stage": ["design_adaptation"], "baseline_min": np.array([22.0]),
                 "touch_min": np.array([22.0]), "prior_sd": np.array([0.5])}  # fmt: skip
        rows = pd.DataFrame(known | as_unwritten(known, learned) | {"floor_min": least})
        low, middle, high = Calibrator(prior_only=True).predict(rows, (0.1, 0.5, 0.9))[[0.1, 0.5, 0.9]].to_numpy()[0]
        assert low == pytest.approx(least, abs=1.0)  # a tenth of such work is taken to be no work
        assert high == pytest.approx(22.0, rel=0.1)
        assert low <= middle < 22.0 and min(low, middle) >= least


def test_where_no_gap_has_room_a_stage_takes_no_time_of_its_own():
    pair = ("MEX", "warm_up")
    learned = silent_of(silent_table({pair: 0.0}, pd.DataFrame(columns=COLUMNS), {pair: 0.0}))
    assert not learned[pair].is_open
    assert learned[pair].times(np.array([7.0]))[0] * 7.0 * 60 < 0.1  # seconds


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        (7, ["resin"]),  # from 16:00 to 23:00 with two fillings: nobody was there to fill it at 19:30
        (17, []),  # 16:00 to 9:00: it may have stood from the end of the first filling until the morning
    ],
)
def test_a_machine_that_printed_through_the_end_of_its_filling_at_night_does_not_stop_there(hours, expected):
    start = pd.date_range("2026-03-02 16:00", periods=4, freq="D", tz="UTC")
    names = [f"b{n}" for n in range(4)]
    runs = pd.DataFrame({"build_ids": [[name] for name in names], "stage": "printing", "outcome": "done", "started_at": start,
                         "ended_at": start + pd.Timedelta(hours=hours)})  # fmt: skip
    base = pd.DataFrame({"build_id": names, "stage": "printing", "machine": "resin", "fillings": 2.0})
    lab = replace(shop(), machines={"resin": Machine("resin", "VPP", "masked", (9, 9, 9), ("r",), {})})
    assert machines_that_run_on(runs, base, lab, HORIZON)["machine"].tolist() == expected
    assert machines_that_run_on(runs[:2], base, lab, HORIZON).empty  # two are chance
    assert machines_that_run_on(runs, base.assign(fillings=0.9), lab, HORIZON).empty
