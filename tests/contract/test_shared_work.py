"""Loads over several builds, orders over several builds, several customers in one build."""

from __future__ import annotations

import json

import pytest

from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.workflow.training_rows import runs_by_build

BUILDS = "build_id,process,machine,parts,order_id\nB1,VPP,vpp1,3,O1\nB2,VPP,vpp1,4,O1+O2\nB3,VPP,vpp1,5,\n"
TIMES = ",2026-01-05T08:00,2026-01-05T08:24\n"


def shares(lab):
    with open_store(lab.folder, read_only=True) as store:
        rows = runs_by_build(find_builds(store), find_runs(store))
    return {build: round(minutes, 6) for build, minutes in rows[["build_id", "work_min"]].itertuples(index=False)}


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ("build_id,stage,started_at,ended_at\nB1+B2+B3,washing", {"B1": 6, "B2": 8, "B3": 10}),
        ("build_id,stage,started_at,ended_at\n B3 + B1 ,washing", {"B1": 9, "B3": 15}),
        ("order_id,stage,started_at,ended_at\nO1,packing", {"B1": 24 * 3 / 7, "B2": 24 * 4 / 7}),
        ("order_id,stage,started_at,ended_at\nO2,packing", {"B2": 24}),
        ("order_id,stage,started_at,ended_at\nO1+O2,packing", {"B1": 24 * 3 / 7, "B2": 24 * 4 / 7}),
        ("order_id,stage,started_at,ended_at\nB3,packing", {"B3": 24}),  # a build without order_id is its own order
    ],
)
def test_minutes_are_shared_by_parts(lab, named, expected):
    lab.take(BUILDS, named + TIMES)
    assert shares(lab) == {build: round(minutes, 6) for build, minutes in expected.items()}


def test_the_order_of_joined_ids_does_not_matter(lab, fates):
    lab.take(BUILDS, "build_id,stage,started_at,ended_at\nB1+B3,washing" + TIMES)
    assert fates(lab.take("build_id,stage,started_at,ended_at\nB3 + B1,washing" + TIMES)) == (0, 0, 1, 0, 0)


def test_a_build_that_holds_several_customers_orders_serves_them_all(lab, fates):
    items = (
        "build_id,order_id,quote_id,part_file,qty,qty_good,finish\nB3,O7,,gauge.stl,3,2,blasted\nB3,O8,,float.stl,2,,\n"
    )
    packing = "order_id,stage,started_at,ended_at\nO7,packing" + TIMES
    document = lab.take(BUILDS, items, packing)
    assert [fates(document, number)[0] for number in range(3)] == [3, 2, 1]
    assert shares(lab) == {"B3": 24}
    assert lab.rows("SELECT order_id, part_file, qty, qty_good, finish FROM item ORDER BY order_id") == [
        ("O7", "gauge.stl", 3, 2, "blasted"), ("O8", "float.stl", 2, None, None),
    ]  # fmt: skip
    assert fates(lab.take(items.replace("3,2,blasted", "3,3,blasted"))) == (0, 1, 1, 0, 0)


def test_more_good_pieces_than_pieces_are_set_aside(lab, fates):
    document = lab.take(BUILDS, "build_id,qty,qty_good\nB1,2,3\n")
    assert fates(document, 1) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"] == "is more than qty"


EVENTS = (
    "at,machine,station,what,note\n2026-01-05T08:00,vpp1,,new lamp,the old one was weak\n"
    "2026-01-05T09:00,,wash,fresh solvent,\n2026-01-06T09:00:00Z,,,moved to the hall,\n"
)


def test_events_come_in_with_machine_or_station_or_neither(lab, fates):
    assert fates(lab.take(EVENTS)) == (3, 0, 0, 0, 0)
    assert lab.rows('SELECT "at"::VARCHAR, machine, station, what, note FROM event ORDER BY "at"') == [
        ("2026-01-05 07:00:00", "vpp1", None, "new lamp", "the old one was weak"),
        ("2026-01-05 08:00:00", None, "wash", "fresh solvent", None),
        ("2026-01-06 09:00:00", None, None, "moved to the hall", None),
    ]  # fmt: skip
    assert fates(lab.take(EVENTS + "2026-01-07T09:00,vpp1,,,\n,vpp1,,x,\n")) == (0, 0, 3, 0, 2)


def test_customers_are_hidden_like_operators_where_a_kept_column_names_them(lab):
    builds = "build_id,process,machine,parts,Customer\nB9,VPP,vpp1,3,Mara Ilves\n"
    runs = "build_id,stage,started_at,ended_at,note\nB9,packing,2026-01-05T08:00,2026-01-05T08:24,Ilves fetched it\n"
    lab.take(builds, runs)
    stored = (lab.folder / "shop.duckdb").read_bytes()
    assert b"Ilves" not in stored
    assert b"Mara" not in stored
    ((note, extra),) = lab.rows("SELECT s.note, b.extra FROM stage_run s JOIN build b USING (build_id)")
    assert note.startswith("P-")
    assert note.split()[0] in extra


def test_people_are_hidden_where_a_kept_column_names_them(lab):
    lab.take("build_id,process,machine,parts,Bediener,name\nB9,VPP,vpp1,3,Mara Ilves,gauge lid\n")
    stored = (lab.folder / "shop.duckdb").read_bytes()
    assert b"Ilves" not in stored
    ((extra,),) = lab.rows("SELECT extra FROM build")
    assert '"Bediener":"P-' in extra.replace(": ", ":")
    assert "gauge lid" in extra
    held = json.loads(extra)["Bediener"]
    lab.take(f"build_id,process,machine,parts,Bediener,name\nB9,VPP,vpp1,3,{held},gauge lid\n")
    assert lab.rows("SELECT extra FROM build") == [(extra,)]
