"""Questions about odd rows, answered from the command line."""

from __future__ import annotations


def test_questions_are_listed_answered_taken_back(lab, calib, document):
    listed = document("review")
    number = listed["questions"][0]["mark_id"]
    assert listed["open"] == 2 == len(listed["questions"])
    status, out, _ = calib("review")
    assert status == 0
    assert f"  {number}  stages.csv line" in out
    assert f"calib review {number} --right" in out
    assert "learned from" not in out
    assert "-> it took 20 min (left on)" in calib(f"review {number} --minutes 20 --note", "left on")[1]
    assert document("review")["open"] == 1
    assert "-> it took 20 min (left on)" in calib("review --answered")[1]
    assert "is open again" in calib(f"review {number} --take-back")[1]
    assert document("review --all")["open"] == 2


def test_a_name_in_a_note_becomes_its_alias(lab, document):
    answer = document("review 1 --right --note", "Ada says so")
    assert answer["verdict_note"].endswith("says so")
    assert "Ada" not in answer["verdict_note"]


def test_five_questions_a_week_and_no_more(lab, calib, document):
    rows = [f"B2,washing,2026-02-{day:02d}T18:00,2026-02-{day + 1:02d}T{day + 8:02d}:00,\n" for day in range(1, 9)]
    (lab / "odd.csv").write_text(
        "build_id,stage,started_at,ended_at,station\n" + "".join(rows).replace("washing", "packing")
    )
    calib("import odd.csv")
    for mark in document("review")["questions"]:
        assert calib(f"review {mark['mark_id']} --right")[0] == 0
    status, out, _ = calib("review")
    assert status == 0
    assert out.startswith("5 questions answered in the last seven days, 5 more wait: calib review --all")


def test_an_answer_that_is_none_or_two_is_refused(lab, calib):
    status, _, err = calib("review 1")
    assert status == 2
    assert "takes one answer, not none" in err
    assert "takes one answer, not 2" in calib("review 1 --right --leave-out")[2]
    assert calib("review 77 --right")[2] == "calib: There is no question 77. The open ones: calib review --all\n"


def test_commands_that_are_named_hold_for_a_shop_elsewhere(lab, calib, monkeypatch):
    monkeypatch.chdir(lab.parent)
    answer = calib("review --shop lab")[1]
    (right,) = [line.strip() for line in answer.splitlines() if "--right" in line]
    assert right.startswith("calib review 1 --shop lab --right ")
    assert "calib set-aside --out to-mend --shop lab." in calib("rejects --shop lab")[1]
    written = calib("rejects --shop lab", "--out", "to mend")[1]
    assert written.rstrip().endswith("then: calib import 'to mend/quarantine_stages.csv' --shop lab")
    assert "Take it back: calib review 1 --undo --shop lab." in calib("review 1 --right --shop lab")[1]
