"""Past builds and orders as one thing: the state of their day, and nothing that came later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from calib.calibration.priors import Priors
from calib.report.terminal_model import show_backtest
from calib.workflow.backtest import backtest_shop
from calib.workflow.backtest_jobs import Past, find_jobs, replay_jobs
from calib.workflow.fit import read_logged
from calib.workflow.import_logs import import_logs
from calib.workflow.init import init_shop

pytestmark = pytest.mark.slow
STAGES = (
    ("file_prep", 10),
    ("machine_setup", 15),
    ("printing", 120),
    ("unloading", 8),
    ("inspection", 12),
    ("packing", 9),
)
WEEKS = 4


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A gauge maker's printer, two builds on each of three days of a week; those of a Monday are one order."""
    folder, luck = tmp_path_factory.mktemp("gauges") / "lab", np.random.default_rng(4)
    init_shop(folder, "UTC")
    builds, stages = [], []
    for week in range(WEEKS):
        for day in range(3):
            for turn in range(2):
                name = f"G{week}{day}{turn}"
                order = f"R{week}{day}" if day == 0 else f"R{name}"
                builds.append((name, "MEX", "mex1", 3, 20.0, order))
                at = pd.Timestamp("2026-01-05 08:05") + pd.Timedelta(days=7 * week + day, minutes=230 * turn)
                for stage, minutes in STAGES:
                    end = at + pd.Timedelta(minutes=round(minutes * float(np.exp(luck.normal(0, 0.1)))))
                    stages.append((name, stage, at, end, "mex1" if stage == "printing" else ""))
                    at = end + pd.Timedelta(minutes=5)
    names = ["build_id", "process", "machine", "parts", "part_volume_cm3", "order_id"]
    pd.DataFrame(builds, columns=names).to_csv(folder / "logs" / "builds.csv", index=False)
    names = ["build_id", "stage", "started_at", "ended_at", "station"]
    pd.DataFrame(stages, columns=names).to_csv(folder / "logs" / "stages.csv", index=False)
    import_logs(folder, [folder / "logs" / "builds.csv", folder / "logs" / "stages.csv"])
    return folder


def past_of(logged) -> Past:
    return Past(logged, pd.DataFrame({"build_id": [], "stage": [], "actual_min": []}).astype({"build_id": object, "stage": object}))  # fmt: skip


def test_jobs_are_builds_and_orders_that_went_through(lab):
    logged = read_logged(lab)
    jobs = find_jobs(logged)
    assert {kind: sum(job.kind == kind for job in jobs) for kind in ("build", "order")} == {
        "build": 6 * WEEKS,
        "order": 5 * WEEKS,
    }
    unpacked = replace(
        logged, runs=logged.runs[(logged.runs["stage"] != "packing") | (logged.runs["build_ids"].str[0] != "G301")]
    )
    gone = {(job.kind, job.builds) for job in jobs} - {(job.kind, job.builds) for job in find_jobs(unpacked)}
    assert gone == {("build", ("G301",)), ("order", ("G300", "G301"))}


def test_nothing_that_came_later_is_looked_at(lab):
    """The last week cut off, or told otherwise: what was expected of the weeks before it stays to the last bit."""
    logged = read_logged(lab)
    later = logged.runs["started_at"] >= pd.Timestamp("2026-01-05", tz="UTC") + pd.Timedelta(weeks=WEEKS - 1)
    cut = replace(logged, runs=logged.runs[~later])
    slow = logged.runs.assign(
        ended_at=logged.runs["ended_at"].where(~later, logged.runs["ended_at"] + pd.Timedelta(days=1))
    )
    without, otherwise = (
        {
            (job.kind, job.builds): scored.finish
            for job, scored in replay_jobs(past_of(of), weeks, lambda done, wanted: None)
        }
        for of, weeks in ((cut, 1), (replace(logged, runs=slow), 2))
    )
    assert len(without) == 11
    for job, finish in without.items():
        np.testing.assert_array_equal(finish, otherwise[job])


def test_jobs_are_expected_by_what_other_sites_know_where_the_lab_keeps_it(lab):
    logged = read_logged(lab)
    slow = Priors((("location", "cell", ("MEX", "printing"), 1.0),), (("location", "cell", 0.02, 8.0),))
    alone, known = (
        replay_jobs(replace(past_of(logged), priors=priors), 1, lambda done, wanted: None) for priors in (None, slow)
    )
    assert len(alone) == len(known) == 11
    assert not any(np.array_equal(one.finish, other.finish) for (_, one), (_, other) in zip(alone, known, strict=True))


def test_a_steady_lab_is_held_and_told(lab):
    document = backtest_shop(lab, weeks=2, jobs=True)
    rows = {(one["kind"], one["process"]): one for one in document["jobs"]}
    assert set(rows) == {(kind, process) for kind in ("build", "order") for process in (None, "MEX")}
    for kind, jobs in (("build", 12), ("order", 10)):
        one = rows[kind, None]
        assert one["jobs"] == jobs
        assert one["finish"]["coverage"]["90"] > 0.8 and one["work"]["coverage"]["90"] > 0.8
        assert abs(one["off_h"]) < 2.0
    assert "Whole builds and orders" in str(show_backtest(document))
