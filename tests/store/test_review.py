"""Rows that look wrong are asked about, a person's answer is kept, obeyed, and can be taken back."""

from __future__ import annotations

import pandas as pd
import pytest
from shop_folder import shop_of, take_in, write

from calib.errors import UsageError
from calib.store.fits import BESIDE_THE_MODEL, find_fit, save_fit
from calib.store.health import find_health
from calib.store.open_store import open_store
from calib.store.review import count_review, give_verdict, list_review, mark_far, take_back_verdict
from calib.store.runs import find_runs
from calib.store.undo import undo_last

BUILDS = "build_id,process,machine,parts\nB1,SLA,M1,3\nB2,SLA,M1,3\n"
HEAD = "build_id,stage,started_at,ended_at,station,operator,note\n"
LONG = "B1,unloading,2026-01-05T08:00,2026-01-06T12:00,M1,,\n"


@pytest.fixture
def shop(tmp_path):
    return shop_of(tmp_path, ("b.csv", BUILDS), ("s.csv", HEAD + LONG))


def minutes(shop):
    with open_store(shop) as con:
        return list(find_runs(con)["work_min"])


def test_a_question_is_a_sentence_with_its_place(shop):
    with open_store(shop) as con:
        (mark,) = list_review(con)
    assert mark["sentence"] == "s.csv line 2: unloading of B1 lasted 28 h: a forgotten timer?"


def test_a_run_is_held_against_those_of_its_process(tmp_path):
    """Blasting takes five hours of powder parts and half an hour of resin ones: the first is no forgotten timer."""
    builds = "build_id,process,machine,parts\n" + "".join(
        f"R{number},VPP,M1,3\nP{number},PBF,M2,30\n" for number in range(10)
    )
    day = "{build},blasting,2026-01-{day:02}T08:00,2026-01-{day:02}T{end},,,\n"
    rows = [day.format(build=f"R{number}", day=number + 5, end="08:30") for number in range(10)]
    rows += [day.format(build=f"P{number}", day=number + 5, end="13:03") for number in range(10)]
    shop = shop_of(tmp_path, ("b.csv", builds), ("s.csv", HEAD + "".join(rows)))
    take_in(shop, write(shop, "more.csv", HEAD + day.format(build="R0", day=20, end="13:03")))
    with open_store(shop) as con:
        assert [mark["sentence"] for mark in list_review(con)] == [
            "more.csv line 2: blasting of R0 lasted 5 h, usually 30 min: a forgotten timer?"
        ]


@pytest.mark.parametrize(
    ("verdict", "given", "expected"), [("right", None, [1680.0]), ("mended", 25, [25.0]), ("wrong", None, [])]
)
def test_the_runs_that_are_learned_from_obey_the_answer(shop, verdict, given, expected):
    with open_store(shop) as con:
        (mark,) = list_review(con)
        answered = give_verdict(con, mark["mark_id"], verdict, given, "the timer was left on")
        assert (answered["verdict"], answered["verdict_note"]) == (verdict, "the timer was left on")
        assert list_review(con) == []
        assert count_review(con) == (0, 1)
    assert minutes(shop) == expected


def test_a_mended_run_ends_when_its_minutes_are_over(shop):
    with open_store(shop) as con:
        give_verdict(con, 1, "mended", 25)
        (ended,) = find_runs(con)["ended_at"]
    assert ended.isoformat() == "2026-01-05T07:25:00+00:00"


def test_an_answer_outlives_another_import_and_can_be_taken_back(shop):
    with open_store(shop) as con:
        give_verdict(con, 1, "wrong")
    take_in(shop, write(shop, "again.csv", HEAD + LONG), write(shop, "b2.csv", BUILDS.replace(",3", ",4")))
    assert minutes(shop) == []
    with open_store(shop) as con:
        assert [mark["verdict"] for mark in list_review(con, answered=True)] == ["wrong"]
        assert take_back_verdict(con, 1)["verdict"] == "wrong"
        assert len(list_review(con)) == 1
    assert minutes(shop) == [1680.0]


@pytest.mark.parametrize("changed", [lambda con: give_verdict(con, 1, "wrong"), lambda con: take_back_verdict(con, 1)])
def test_a_fit_is_outdated_by_an_answer_and_by_one_that_is_taken_back(shop, changed):
    tables = dict.fromkeys(BESIDE_THE_MODEL, pd.DataFrame({"minutes": [1.0]}))
    with open_store(shop) as con:
        give_verdict(con, 1, "right")
        save_fit(con, tables, {"as_of": "2026-01-07"}, "1")
        assert not find_fit(con)[1]["logs_since"]
        changed(con)
        assert find_fit(con)[1]["logs_since"]


def test_a_row_with_other_times_is_another_question_and_one_with_another_note_is_not(shop):
    with open_store(shop) as con:
        give_verdict(con, 1, "right")
    take_in(shop, write(shop, "note.csv", HEAD + LONG.replace(",,\n", ",,late\n")))
    with open_store(shop) as con:
        assert list_review(con) == []
    take_in(shop, write(shop, "longer.csv", HEAD + LONG.replace("12:00", "14:00")))
    with open_store(shop) as con:
        assert [mark["mark_id"] for mark in list_review(con)] == [2]


def test_the_largest_effect_comes_first_and_at_most_five(shop):
    rows = [f"B2,unloading,2026-02-{day:02d}T08:00,2026-02-{day + 1:02d}T{day:02d}:00,M1,,\n" for day in range(1, 9)]
    take_in(shop, write(shop, "many.csv", HEAD + "".join(rows)))
    with open_store(shop) as con:
        effects = [mark["effect_min"] for mark in list_review(con)]
        assert len(effects) == 5
        assert effects == sorted(effects, reverse=True)
        assert len(list_review(con, None)) == 9
        assert "h, usually " in list_review(con)[0]["says"]


def test_a_question_that_is_not_there_and_minutes_that_cannot_be_are_refused(shop):
    with open_store(shop) as con:
        with pytest.raises(UsageError, match="There is no question 7"):
            give_verdict(con, 7, "right")
        with pytest.raises(UsageError, match="no duration"):
            give_verdict(con, 1, "mended", -3)
        with pytest.raises(UsageError, match="no answer to take back"):
            take_back_verdict(con, 1)


@pytest.mark.parametrize("late", [0, 1], ids=["the printing comes last", "the washing comes last"])
def test_work_that_ended_before_its_printing_began_is_asked_about_in_whatever_order_they_come(tmp_path, late):
    runs = ["B1,washing,2026-01-05T08:00,2026-01-05T08:20,,,\n", "B1,printing,2026-01-05T18:00,2026-01-05T20:00,M1,,\n"]
    take_in(tmp_path, write(tmp_path, "b.csv", BUILDS))
    for number in (late, 1 - late):
        take_in(tmp_path, write(tmp_path, f"s{number}.csv", HEAD + runs[number]))
    with open_store(tmp_path) as con:
        (mark,) = list_review(con)
    assert "washing of B1 ended before the printing of its build began" in mark["sentence"]


PRINTS = "B1,printing,2026-01-05T08:00,2026-01-05T23:00,M1,,\nB2,printing,2026-01-07T08:00,2026-01-07T09:00,M1,,\n"
SAYS = "likely a wrong log: a timer that nobody stopped?"


def far(*ratios):
    """What a fit finds: so many times as long as expected, the first for B1's printing, the second for B2's."""
    keys = [f"{build} | printing | M1 | 2026-01-0{day} 07:00:00 | 1" for build, day in (("B1", 5), ("B2", 7))]
    return pd.DataFrame(
        [(key, ratio, SAYS) for key, ratio in zip(keys, ratios, strict=False)], columns=["run_key", "ratio", "says"]
    )


def asked(con):
    return [mark["sentence"].partition(": ")[2] for mark in list_review(con)]


@pytest.fixture
def printed(tmp_path):
    take_in(tmp_path, write(tmp_path, "b.csv", BUILDS), write(tmp_path, "s.csv", HEAD + PRINTS))
    return tmp_path


def test_a_machines_run_that_the_fit_takes_for_wrong_is_asked_about(printed):
    with open_store(printed) as con:
        assert asked(con) == []
        mark_far(con, far(20.0, 0.1))
        assert asked(con) == [
            f"printing of B1 lasted 15 h where 45 min were expected, {SAYS}",
            f"printing of B2 lasted 60 min where 10 h were expected, {SAYS}",
        ]
        mark_far(con, far(10.0))  # the next fit knows more: one of them is usual now, the other is the same question
        assert [mark["mark_id"] for mark in list_review(con)] == [1]
        mark_far(con, far(10.0, 0.1))  # a number that was written down never comes to mean another question
        assert [mark["mark_id"] for mark in list_review(con)] == [1, 3]
        with pytest.raises(UsageError, match="There is no question 2"):
            give_verdict(con, 2, "right")


def test_what_the_fit_asked_rests_while_its_import_is_taken_back(printed):
    with open_store(printed) as con:
        mark_far(con, far(20.0))
        undo_last(con)
        assert (list_review(con), find_health(con)["to_confirm"]) == ([], 0)
    take_in(printed, printed / "b.csv", printed / "s.csv")
    with open_store(printed) as con:
        assert [mark["mark_id"] for mark in list_review(con)] == [1]


def test_a_run_that_is_judged_is_not_asked_about_again_when_it_comes_once_more_among_shorter_ones(tmp_path):
    long = "B1,unloading,2026-01-05T08:00,2026-01-05T10:00,M1,,\n"
    short = [f"B2,unloading,2026-01-{day:02d}T08:00,2026-01-{day:02d}T08:10,M1,,\n" for day in range(6, 18)]
    files = write(tmp_path, "b.csv", BUILDS), write(tmp_path, "s.csv", HEAD + long)
    take_in(tmp_path, *files)
    found = pd.DataFrame([("B1 | unloading | M1 | 2026-01-05 07:00:00 | 1", 10.0, SAYS)], columns=list(far()))
    with open_store(tmp_path) as con:
        mark_far(con, found)
        give_verdict(con, 1, "right")
        undo_last(con)
    take_in(tmp_path, *files, write(tmp_path, "more.csv", HEAD + "".join(short)))
    with open_store(tmp_path) as con:
        assert [mark["verdict"] for mark in list_review(con, answered=True)] == ["right"]
        assert list_review(con) == []
        take_back_verdict(con, 1)
        assert [mark["mark_id"] for mark in list_review(con)] == [1]


def test_a_run_that_a_person_has_judged_is_not_asked_about_again(printed):
    with open_store(printed) as con:
        mark_far(con, far(20.0, 0.1))
        give_verdict(con, 1, "right")
        con.execute("UPDATE review SET rule = 'overlap' WHERE mark_id = 1")  # whatever it was asked for
        mark_far(con, far(20.0, 0.1))
        assert [mark["mark_id"] for mark in list_review(con)] == [2]
        mark_far(con, far())
        assert [mark["verdict"] for mark in list_review(con, answered=True)] == ["right"]
        assert list_review(con) == []
