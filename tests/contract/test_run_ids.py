"""A run_id is a run's key: what comes later of it corrects it, whatever the file leaves out."""

from __future__ import annotations

import itertools

import pytest

BUILDS = "build_id,process,machine,parts\nB1,MEX,mex1,3\nB2,MEX,mex1,3\n"
START = "run_id,build_id,stage,started_at,ended_at,station,note\nr1,B1,printing,2026-01-05T08:00,,mex1,slow start\n"
END = "run_id,build_id,stage,ended_at\nr1,B1,printing,2026-01-05T12:00\n"
STORED = "SELECT started_at::VARCHAR, ended_at::VARCHAR, note FROM stage_run"
WHOLE = [("2026-01-05 07:00:00", "2026-01-05 11:00:00", "slow start")]


@pytest.mark.parametrize(
    "end",
    [END, "run_id,build_id,stage,started_at,ended_at\nr1,B1,printing,,2026-01-05T12:00\n"],
    ids=["absent", "empty"],
)
def test_the_end_of_an_open_run_comes_by_its_run_id_without_the_start(lab, fates, end):
    lab.take(BUILDS, START)
    assert fates(lab.take(end)) == (0, 1, 0, 0, 0)
    assert lab.rows(STORED) == WHOLE
    assert fates(lab.take(end + "\n")) == (0, 0, 1, 0, 0)


@pytest.mark.parametrize("order", [*itertools.permutations([BUILDS, START, END])])
def test_start_and_end_of_one_call_come_in_any_order(lab, order):
    document = lab.take(*order)
    assert sum(file["rows_quarantined"] for file in document["files"]) == 0
    assert lab.rows(STORED) == WHOLE


def test_an_end_without_its_start_is_set_aside_and_comes_in_once_the_start_is_there(lab, fates):
    end = lab.write(END)
    document = lab.take(BUILDS, end)
    assert fates(document, 1) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"] == "is empty, and no row with this run_id says when it began"
    lab.take(START)
    assert fates(lab.take(end)) == (0, 1, 0, 0, 0)
    assert lab.rows(STORED) == WHOLE
    assert lab.rows("SELECT state FROM quarantine") == [("mended",)]


def test_an_end_before_the_start_that_is_known_is_set_aside(lab, fates):
    lab.take(BUILDS, START)
    document = lab.take(END.replace("T12:00", "T07:00"))
    assert fates(document) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"] == "is not after the start of this run as another row has it"


def test_a_start_after_the_end_that_is_known_is_set_aside(lab, fates):
    lab.take(BUILDS, START, END)
    late = "run_id,build_id,stage,started_at\nr1,B1,printing,2026-01-05T13:00\n"
    assert fates(lab.take(late)) == (0, 0, 0, 0, 1)
    assert lab.document("check")["problems"] == []


def test_run_ids_that_start_again_in_january_replace_nothing(lab, fates):
    lab.take(BUILDS, START, END)
    again = "run_id,build_id,stage,started_at,ended_at\nr1,B2,unloading,2027-01-04T08:00,2027-01-04T08:20\n"
    document = lab.take(again)
    assert fates(document) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"].startswith(
        "id used again: it is the run printing of B1 of 2026-01-05; give the new run an id of its own"
    )
    assert lab.rows(STORED) == WHOLE
    moved = "run_id,build_id,stage,started_at,ended_at\nr1,B2,printing,2026-01-06T08:00,2026-01-06T12:00\n"
    assert fates(lab.take(moved)) == (0, 1, 0, 0, 0)
