"""Which builds fulfil which quote: by quote or order, by items or whole builds, joined by '+', packed by build or order."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from shop_folder import take_in, write

from calib.store.open_store import open_store
from calib.store.quotes import Acceptance, accept_quote, find_fulfilment, save_quote

HEAD = "build_id,process,machine,parts,quote_id,order_id\n"
STAGES = "build_id,order_id,stage,started_at,ended_at,outcome\n"


@pytest.fixture
def lab(tmp_path):
    """Q00001, and Q00002 that became order R2."""
    with open_store(tmp_path, create=True) as con:
        for quantity in (10, 20):
            save_quote(con, {"part": "clip.stl", "quantity": quantity, "options": [{}], "sure": 0.9})
        accept_quote(con, "Q00002", Acceptance(order_id="R2"))
    return tmp_path


def found(lab, builds: str, stages: str = "", items: str = "") -> dict:
    paths = [write(lab, "b.csv", HEAD + builds), write(lab, "s.csv", STAGES + stages)]
    if items:
        paths.append(write(lab, "i.csv", "build_id,order_id,quote_id,part_file,qty\n" + items))
    take_in(lab, *paths, timezone="UTC")
    with open_store(lab) as con:
        linked = find_fulfilment(con)
    return {
        quote: [(one["build_id"], one["parts"], one["packed_at"]) for one in builds] for quote, builds in linked.items()
    }


def at(hour: int) -> datetime:
    return datetime(2026, 3, 2, hour, tzinfo=UTC)


def test_a_build_serves_the_quotes_that_it_names(lab):
    assert found(lab, "B1,MEX,m,12,Q00001+Q00002,\nB2,MEX,m,5,,\n") == {
        "Q00001": [("B1", 12, None)],
        "Q00002": [("B1", 12, None)],
    }


def test_items_say_how_much_of_a_build_is_the_quote_s(lab):
    items = "B1,,Q00001,a.stl,4\nB1,,Q00001,b.stl,6\nB1,R2,,c.stl,2\n"
    assert found(lab, "B1,MEX,m,12,,\n", items=items) == {"Q00001": [("B1", 10, None)], "Q00002": [("B1", 2, None)]}


def test_packing_counts_by_build_by_order_and_by_joined_ids(lab):
    builds = "B1,MEX,m,5,Q00001,\nB2,MEX,m,5,Q00001,\nB3,MEX,m,20,,R1+R2\n"
    stages = (
        "B1+B2,,packing,2026-03-02T08:00,2026-03-02T09:00,\n"
        "B2,,inspection+packing,2026-03-02T10:00,2026-03-02T11:00,\n"
        ",R2,packing,2026-03-02T12:00,2026-03-02T13:00,\n"
    )
    assert found(lab, builds, stages) == {
        "Q00001": [("B1", 5, at(9)), ("B2", 5, at(11))],
        "Q00002": [("B3", 20, at(13))],
    }


def test_packing_by_the_quote_s_order_counts_for_builds_that_name_the_quote(lab):
    stages = ",R2,packing,2026-03-02T12:00,2026-03-02T13:00,\n"
    assert found(lab, "B3,MEX,m,20,Q00002,\n", stages) == {"Q00002": [("B3", 20, at(13))]}


def test_packing_that_failed_or_still_runs_does_not_count(lab):
    stages = "B1,,packing,2026-03-02T08:00,2026-03-02T09:00,failed\nB1,,packing,2026-03-02T10:00,,\n"
    assert found(lab, "B1,MEX,m,10,Q00001,\n", stages) == {"Q00001": [("B1", 10, None)]}


def test_runs_of_an_order_wait_until_a_quote_becomes_it(lab):
    stages = ",R7,packing,2026-03-02T12:00,2026-03-02T13:00,\n"
    assert found(lab, "B1,MEX,m,10,Q00001,\n", stages) == {"Q00001": [("B1", 10, None)]}
    with open_store(lab) as con:
        accept_quote(con, "Q00001", Acceptance(order_id="R7"))
        assert find_fulfilment(con)["Q00001"] == [{"build_id": "B1", "parts": 10, "packed_at": at(13)}]
