"""How far builds are by what is logged: what is past, what runs, what failed, and what ended unnoticed."""

from __future__ import annotations

import json
import zlib

import pandas as pd
import pytest
import trimesh

from calib.cli.app import run
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.runs import find_runs
from calib.workflow.fitted import find_fitted
from calib.workflow.queue import find_queue

NOW = pd.Timestamp("2026-08-12T14:00", tz="Europe/London")
PREPARED = "file_prep,2026-08-12T08:00,2026-08-12T08:10,\nmachine_setup,2026-08-12T08:10,2026-08-12T08:25,"
PRINTS = "printing,2026-08-12T08:30"


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("far") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    return folder


def queued(lab, tmp_path, rows: str, name: str, now: pd.Timestamp = NOW):
    """The build as it stands in the queue after these rows are logged, or None."""
    (tmp_path / "b.csv").write_text(
        f"build_id,process,machine,parts,material,part_volume_cm3,height_mm,order_id\n{name},VPP,vpp1,8,resin,60,50,R-{name}\n"
    )
    lines = [line.split(",") for line in rows.splitlines()]
    text = "build_id,order_id,stage,started_at,ended_at,outcome,station\n" + "".join(
        f"{',R-' + name if stage == 'packing' else name + ','},{stage},{start},{end},{outcome},{'vpp1' if stage == 'printing' else ''}\n"
        for stage, start, end, outcome in lines
    )
    (tmp_path / "s.csv").write_text(text)
    assert run(["import", str(tmp_path / "b.csv"), str(tmp_path / "s.csv"), "--shop", str(lab), "--json"]) == 0
    queue = find_queue(lab, read_shop(lab), find_fitted(lab), now)
    return next((build for build in queue if build.build_id == name), None)


@pytest.mark.parametrize(
    ("rows", "first", "elapsed"),
    [
        (PREPARED, "printing", None),
        (f"{PREPARED}\n{PRINTS},,", "printing", 330),
        (f"{PREPARED}\n{PRINTS},2026-08-12T13:55,", "unloading", 0),  # printed and nobody has come yet
        (f"{PREPARED}\n{PRINTS},2026-08-12T10:00,failed", "machine_setup", 0),
        (f"{PREPARED}\n{PRINTS},2026-08-12T10:00,failed\nunloading,2026-08-12T10:05,2026-08-12T10:20,", "machine_setup", 0),
        (f"{PREPARED}\n{PRINTS},2026-08-12T10:00,stopped\nwashing,2026-08-12T13:35,2026-08-12T13:50,", "drying", 10),
        (f"{PREPARED}\n{PRINTS},,\nwashing,2026-08-12T13:35,2026-08-12T13:50,", "drying", 10),  # its end was not written
        (f"{PRINTS},2026-08-12T12:55,\nunloading,2026-08-12T13:45,,", "unloading", 15),
    ],
)  # fmt: skip
def test_a_build_is_past_what_a_later_stage_shows(lab, tmp_path, request, rows, first, elapsed):
    build = queued(lab, tmp_path, rows, f"A{zlib.crc32(request.node.name.encode())}")
    assert build is not None
    assert build.rows["stage"].iloc[0] == first
    assert build.rows["stage"].iloc[-1] == "packing"
    if elapsed is not None:
        assert build.elapsed_min == pytest.approx(elapsed)


@pytest.mark.parametrize(
    "rows",
    [
        f"{PREPARED}\n{PRINTS},,\npacking,2026-08-12T13:35,2026-08-12T13:50,",  # of the order, not of the build
        f"{PREPARED}\n{PRINTS},2026-08-12T12:55,\nwashing+post_curing+packing,2026-08-12T13:35,2026-08-12T13:50,",
    ],
)
def test_what_is_packed_is_in_no_queue(lab, tmp_path, request, rows):
    assert queued(lab, tmp_path, rows, f"B{zlib.crc32(request.node.name.encode())}") is None


@pytest.mark.parametrize("rows", [f"{PREPARED}\n{PRINTS},,", f"{PREPARED}\n{PRINTS},2026-08-12T18:00,", PREPARED])
def test_a_run_far_older_than_any_like_it_holds_nothing_up(lab, tmp_path, request, rows):
    name = f"C{zlib.crc32(request.node.name.encode())}"
    assert queued(lab, tmp_path, rows, name) is not None
    for days in (16, 60):
        queue = find_queue(lab, read_shop(lab), find_fitted(lab), NOW + pd.Timedelta(days=days))
        assert name not in {build.build_id for build in queue}


@pytest.mark.parametrize(
    ("answer", "state", "first"), [("--finished", "lost", "unloading"), ("--failed", "lost", "machine_setup")]
)
def test_an_open_run_older_than_any_like_it_is_asked_about_and_one_key_answers(tmp_path, capsys, answer, state, first):
    folder = tmp_path / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    queued(folder, tmp_path, f"{PREPARED}\n{PRINTS},,", "J0119")
    queued(folder, tmp_path, "printing,2026-08-19T08:30,2026-08-19T11:30,", "J0120")
    assert run(["fit", "--shop", str(folder)]) == 0
    capsys.readouterr()
    assert run(["review", "--shop", str(folder), "--json"]) == 0
    (question,) = [one for one in json.loads(capsys.readouterr().out)["questions"] if one["rule"] == "never ended"]
    assert "printing of J0119 begun on 2026-08-12 never ended" in question["sentence"]
    assert question["sentence"].endswith("finished, or failed?")
    assert run(["review", str(question["mark_id"]), answer, "--shop", str(folder)]) == 0
    with open_store(folder, read_only=True) as store:
        runs = find_runs(store)
    asked = runs[runs["build_ids"].str[0].eq("J0119") & runs["stage"].eq("printing")].iloc[0]
    assert (asked["state"], asked["outcome"] == "failed") == (state, answer == "--failed")
    queue = find_queue(folder, read_shop(folder), find_fitted(folder), NOW + pd.Timedelta(hours=20))
    assert next(build for build in queue if build.build_id == "J0119").rows["stage"].iloc[0] == first


@pytest.mark.parametrize(("station", "stands"), [("elsewhere", False), ("vpp1", True)])
def test_a_build_stands_in_its_machines_queue_however_long_that_is(lab, tmp_path, request, station, stands):
    # its file is prepared for 16 days, far beyond any wait; another build left its machine a moment ago
    name, later = f"D{zlib.crc32(request.node.name.encode())}", NOW + pd.Timedelta(days=16)
    queued(lab, tmp_path, "file_prep,2026-08-12T08:30,2026-08-12T08:50,", name)
    log = tmp_path / "other.csv"
    ran = f"{(later - pd.Timedelta(hours=3)):%Y-%m-%dT%H:%M},{(later - pd.Timedelta(minutes=5)):%Y-%m-%dT%H:%M}"
    log.write_text(f"build_id,stage,started_at,ended_at,station\nX{name},printing,{ran},{station}\n", encoding="utf-8")
    builds = tmp_path / "builds.csv"
    builds.write_text(f"build_id,process,machine,parts\nX{name},VPP,vpp1,3\n", encoding="utf-8")
    assert run(["import", str(builds), str(log), "--shop", str(lab)]) == 0
    queue = find_queue(lab, read_shop(lab), find_fitted(lab), later)
    assert (name in {build.build_id for build in queue}) == stands


def test_a_build_waits_for_its_busy_machine_however_long_unless_younger_ones_go_before(tmp_path):
    """Prepared five weeks ago: behind older builds it is in line; where younger ones went before it was forgotten."""
    shop = tmp_path / "lab"
    assert run(["init", str(shop), "--timezone", "Europe/London"]) == 0

    def in_line(other: str, prepared: str) -> bool:
        rows = f"file_prep,{prepared}T08:00,{prepared}T08:10,\n{PRINTS},2026-08-12T09:00,"
        assert queued(shop, tmp_path, rows, other) is not None
        return queued(shop, tmp_path, "file_prep,2026-07-05T08:00,2026-07-05T08:10,", f"WAITS-FOR-{other}") is not None

    assert not in_line("YOUNGER", "2026-07-06")
    assert in_line("OLDER", "2026-07-03")


def test_the_queue_goes_on_until_an_order_that_starts_later(tmp_path, capsys):
    """What is planned today is done in three weeks; for an order of today it stands before."""
    shop, today = tmp_path / "lab", pd.Timestamp.now(tz="Europe/London").floor("h")
    assert run(["init", str(shop), "--timezone", "Europe/London"]) == 0
    (tmp_path / "cube.stl").write_bytes(trimesh.creation.box((20, 20, 20)).export(file_type="stl"))

    def hours(start: pd.Timestamp) -> float:
        capsys.readouterr()
        asked = ["--qty", "1", "--process", "VPP", "--start", start.isoformat(), "--json"]
        assert run(["quote", str(tmp_path / "cube.stl"), *asked, "--shop", str(shop)]) == 0
        document = json.loads(capsys.readouterr().out)
        return min(
            dict(option["lead_quantiles_h"])[0.5] for option in document["options"] if option["machine"] == "vpp1"
        )

    later = today + pd.Timedelta(weeks=3)
    free_today, free_later = hours(today), hours(later)
    rows = "".join(f"P{n},VPP,vpp1,8,resin,60,150,true\n" for n in range(4))
    (tmp_path / "b.csv").write_text(
        f"build_id,process,machine,parts,material,part_volume_cm3,height_mm,planned\n{rows}"
    )
    assert run(["import", str(tmp_path / "b.csv"), "--shop", str(shop)]) == 0
    assert hours(today) > free_today + 5
    assert hours(later) == pytest.approx(free_later, abs=0.5)
