"""What was read before is not read again, and counts as if it were."""

from __future__ import annotations

import pytest
from shop_folder import counts, shop_of, take_in, write

from calib.store.open_store import open_store
from calib.store.undo import undo_last

BUILDS = "build_id,process,machine,parts\nB1,SLA,M1,3\nB2,MEX,M2,4\n"
HEAD = "build_id,stage,started_at,ended_at,station,mood\n"
ONE = HEAD + "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,calm\n"
BAD = "B1,cool down,2026-01-05T08:00,2026-01-05T09:00,M1,\n"
HELD = "B9,washing,2026-01-05T13:00,2026-01-05T13:20,W,\n"


@pytest.fixture
def shop(tmp_path):
    return shop_of(tmp_path, ("builds.csv", BUILDS))


def read_again(document, number=0):
    return document["files"][number]["rows_not_read_again"]


def test_an_unchanged_file_is_not_read_and_counts_as_if_it_were(shop):
    path = write(shop, "a.csv", ONE + BAD + HELD)
    first = take_in(shop, path)["files"][0]
    document = take_in(shop, path)
    assert read_again(document) == 3
    assert counts(document) == (0, 0, 2, 1, 0)
    assert document["files"][0]["kept_columns"] == first["kept_columns"] == ["mood"]
    assert document["quarantine"] == []


def test_counts_are_those_of_reading_it(shop, tmp_path_factory):
    path = write(shop, "a.csv", ONE + BAD + HELD)
    take_in(shop, path)
    unread = take_in(shop, path)
    read = take_in(shop, write(shop, "a.csv", ONE + BAD + HELD + "\n"))  # an empty line more
    assert read_again(unread) == 3
    same = {"rows_read", "rows_new", "rows_corrected", "rows_repeated", "rows_quarantined", "rows_held", "kind"}
    assert {key: unread["files"][0][key] for key in same} == {key: read["files"][0][key] for key in same}


def test_of_a_file_that_has_grown_only_the_end_is_read_and_lines_are_those_of_the_file(shop):
    take_in(shop, write(shop, "a.csv", ONE + BAD))
    more = "B2,packing,2026-01-06T08:00,2026-01-06T08:10,,\nB2,packng,2026-01-06T08:00,2026-01-06T08:10,,\n"
    document = take_in(shop, write(shop, "b.csv", ONE + BAD + more))
    assert read_again(document) == 2
    assert counts(document) == (1, 0, 1, 2, 0)
    assert [(row["line"], row["value"]) for row in document["quarantine"]] == [(5, "packng")]
    with open_store(shop) as con:
        assert con.execute("SELECT line FROM stage_run WHERE stage = 'packing'").fetchall() == [(4,)]


@pytest.mark.parametrize("size", [0, 1 << 21])
def test_a_grown_file_is_read_the_same_by_both_readers(shop, monkeypatch, size):
    monkeypatch.setattr("calib.logs.read_table.DIRECT_FROM_BYTES", size)
    take_in(shop, write(shop, "a.csv", ONE))
    later = "B2,packing,2026-01-06T08:00,2026-01-06T08:10,,fine\n"
    document = take_in(shop, write(shop, "a.csv", ONE + later))
    assert read_again(document) == 1
    assert counts(document) == (1, 0, 1, 0, 0)
    with open_store(shop) as con:
        rows = con.execute("SELECT line, extra FROM stage_run ORDER BY line").fetchall()
    assert rows == [(2, '{"mood":"calm"}'), (3, '{"mood":"fine"}')]


def test_a_file_whose_last_line_went_on_is_read_as_a_whole(shop):
    take_in(shop, write(shop, "a.csv", ONE.rstrip("\n")))
    document = take_in(shop, write(shop, "a.csv", ONE.rstrip("\n") + "er\n"))
    assert read_again(document) == 0
    assert counts(document) == (0, 1, 0, 0, 0)


def test_a_file_that_changed_at_its_beginning_is_read_as_a_whole(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    assert read_again(take_in(shop, write(shop, "a.csv", ONE.replace("12:00", "12:30")))) == 0


def test_other_ways_of_reading_read_again(shop):
    path = write(shop, "a.csv", ONE + BAD)
    take_in(shop, path)
    assert read_again(take_in(shop, path, timezone="America/New_York")) == 0
    document = take_in(shop, path, shop_stages=["cool down"])
    assert read_again(document) == 0
    assert read_again(take_in(shop, path)) == 2


def test_what_becomes_of_an_id_used_again_is_looked_at_each_time(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    path = write(shop, "far.csv", ONE.replace("2026-01", "2027-01"))
    for _ in range(2):
        document = take_in(shop, path)
        assert counts(document) == (0, 0, 0, 1, 0)
        assert read_again(document) == 0


def test_after_an_import_was_taken_back_its_file_comes_in_again(shop):
    path = write(shop, "a.csv", ONE)
    take_in(shop, path)
    with open_store(shop) as con:
        undo_last(con)
    document = take_in(shop, path)
    assert read_again(document) == 0
    assert counts(document) == (1, 0, 0, 0, 0)


def test_a_dry_run_leaves_no_trace_of_reading(shop):
    path = write(shop, "a.csv", ONE)
    take_in(shop, path, dry_run=True)
    assert counts(take_in(shop, path)) == (1, 0, 0, 0, 0)


def test_a_workbook_with_two_logs_is_not_read_again(shop):
    from openpyxl import Workbook

    book = Workbook()
    for name, rows in (("builds", BUILDS), ("stages", ONE)):
        sheet = book.create_sheet(name)
        for line in rows.splitlines():
            sheet.append(line.split(","))
    path = shop / "log#1.xlsx"
    book.save(path)
    first, again = take_in(shop, path), take_in(shop, path)
    assert [file["path"] for file in first["files"]] == [file["path"] for file in again["files"]]
    assert [read_again(again, number) for number in (0, 1)] == [2, 1]
    assert counts(again, 1) == (0, 0, 1, 0, 0)
