"""The demo's builds through the plan's calendar, people, stations and learned waits, against what their logs say."""

from __future__ import annotations

import shutil

import pytest

from calib.locate import shipped_folder
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.runs import find_runs
from calib.workflow.capacity import logged_demand
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs
from calib.workflow.learning import runs_by_build
from calib.workflow.what_if import what_if_weeks


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    shutil.copy(shipped_folder("demo_logs") / "shop.toml", folder)
    import_logs(folder, [shipped_folder("demo_logs") / "logs"])
    fit_shop(folder)
    return folder


def logged_hours(folder, weeks):
    """Mean hours from a build's first start to its last end, for each process."""
    builds = logged_demand(folder, read_shop(folder), weeks).builds
    with open_store(folder, read_only=True) as store:
        runs = find_runs(store)
    shares = runs_by_build(builds, runs[runs["ended_at"].notna() & (runs["stage"] != "powder_recovery")])
    spans = shares.groupby("build_id").agg(begin=("started_at", "min"), end=("ended_at", "max"))
    hours = (spans["end"] - spans["begin"]).dt.total_seconds() / 3600
    return hours.groupby(builds.set_index("build_id")["process"]).mean()


@pytest.mark.slow
def test_builds_turn_round_as_their_logs_say(demo):
    # six weeks of builds, released when they were, with nothing of their own course but that; learned on the same logs
    found = what_if_weeks(demo, '[[machine]]\nid = "bed-1"\nchambers = 2\n', weeks=6)
    logged = logged_hours(demo, 6)
    for one in found["by_process"]:
        usual = one["turnaround_h"]["today"]["p50"]
        assert usual == pytest.approx(logged[one["process"]], rel=0.15), one["process"]
        assert one["chance_later"] < 0.05
    assert found["builds"] > 60
    assert {row["resource"] for row in found["resources"]["today"]} >= {"bed-1", "resin-1", "ext-1", "lab"}
