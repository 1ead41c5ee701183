"""The lead's page: logs dropped, foreign ones proposed, rows mended in place, questions answered, the week live."""

from __future__ import annotations

import os
import re

import pytest
from lab_page import words_of

from calib.store.one_writer import LOCK_NAME
from calib.workflow.review import find_set_aside_rows

BUILDS = "build_id,process,machine,parts\nM1,MEX,mex1,3\nM2,MEX,mex1,0\nM3,MEX,mex1,two\n"
FOREIGN = "Auftrag;Verfahren;Maschine;Stück\nF1;FFF;mex1;4\nF2;FFF;mex1;2\n"


def drop(page, *files):
    return page.send("/monday/import", files=[("files", file) for file in files])


@pytest.fixture(scope="module")
def dropped(page):
    return drop(page, ("builds.csv", BUILDS))


def aside(page):
    return {one["reject_id"] for one in find_set_aside_rows(page.folder)["rows"]}


def test_what_came_in_is_told_by_file(page, dropped):
    assert dropped.status_code == 200
    assert re.search(r"builds\.csv 1 0 0 0 2", words_of(dropped.text))
    assert (page.folder / "logs" / "builds.csv").read_text() == BUILDS
    assert str(page.folder) not in dropped.text


def test_a_row_set_aside_is_mended_in_its_place(page, dropped):
    number = min(aside(page))
    shown = page.browser.get(f"/monday/row/{number}")
    assert 'name="cell-parts"' in shown.text
    assert 'aria-invalid="true"' in shown.text
    again = page.send(f"/monday/row/{number}/mend", {"what": "mend", "cell-parts": "none"})
    assert "Set aside again" in words_of(again.text)
    number = max(aside(page))
    done = page.send(f"/monday/row/{number}/mend", {"what": "mend", "cell-parts": "2"})
    assert "is mended and in" in words_of(done.text)
    assert number not in aside(page)


def test_a_row_can_be_dropped(page, dropped):
    number = min(aside(page))
    done = page.send(f"/monday/row/{number}/mend", {"what": "drop"})
    assert "was dropped" in words_of(done.text)
    assert number not in aside(page)


def test_a_cell_of_no_column_and_a_number_of_no_row_are_sentences(page, dropped):
    drop(page, ("more.csv", "build_id,process,machine,parts\nM9,MEX,mex1,0\n"))
    number = max(aside(page))
    shown = page.send(f"/monday/row/{number}/mend", {"what": "mend", "cell-colour": "red"})
    assert shown.status_code == 422
    assert '"colour" is no column of builds' in shown.text.replace("&#34;", '"')
    for wrong in ("999999", "x", "-1", "²", "9" * 40):
        assert page.browser.get(f"/monday/row/{wrong}").status_code == 422


def test_a_foreign_log_is_asked_about_and_then_taken(page):
    shown = drop(page, ("plan.csv", FOREIGN))
    assert not (page.folder / "logs" / "plan.csv").exists()  # nor would an import of all logs meet it
    word = re.search(r"/monday/map/([\w-]+)", shown.text)[1]
    table = words_of(page.browser.get(f"/monday/map/{word}").text)
    assert "Auftrag" in table
    assert "Nothing of it is stored yet" in table
    done = page.send(f"/monday/map/{word}/answer", {"answer": "right"})
    assert re.search(r"plan\.csv 2 0 0 0 0", words_of(done.text))
    assert list((page.folder / "maps").glob("plan*.toml"))
    assert (page.folder / "logs" / "plan.csv").read_text() == FOREIGN
    late = page.send(f"/monday/map/{word}/answer", {"answer": "right"})  # of another page
    assert late.status_code == 422


def test_of_several_files_those_that_can_be_read_come_in(page):
    shown = drop(page, ("good.csv", "build_id,process,machine,parts\nG1,MEX,mex1,1\n"), ("none.csv", ""))
    assert re.search(r"good\.csv 1 0 0 0 0", words_of(shown.text)), words_of(shown.text)
    assert "none.csv is empty" in words_of(shown.text)


def test_a_proposal_that_is_not_right_leaves_nothing(page):
    shown = drop(page, ("other.csv", FOREIGN.replace("Auftrag", "Los")))
    word = re.search(r"/monday/map/([\w-]+)", shown.text)
    if word:
        page.send(f"/monday/map/{word[1]}/answer", {"answer": "wrong"})
    assert not (page.folder / "logs" / "other.csv").exists()


def test_a_file_that_is_no_log_is_a_sentence_and_does_not_stay(page):
    shown = drop(page, ("picture.csv", bytes(range(256)) * 40))
    assert shown.status_code in (200, 422)
    assert not (page.folder / "logs" / "picture.csv").exists()


def test_two_files_of_one_name_stand_beside_each_other(page):
    drop(page, ("same.csv", "build_id,process,machine,parts\nS1,MEX,mex1,1\n"))
    drop(page, ("same.csv", "build_id,process,machine,parts\nS2,MEX,mex1,1\n"))
    assert (page.folder / "logs" / "same-2.csv").exists()


def test_a_dropped_log_never_has_the_name_of_one_that_is_made_from_taps(page):
    drop(page, ("bench-2031-01-05.csv", "build_id,process,machine,parts\nS3,MEX,mex1,1\n"))
    assert [path.name for path in (page.folder / "logs").glob("*2031-01-05*")] == ["sent-bench-2031-01-05.csv"]


def test_a_question_is_answered_with_a_button_and_opened_again(page):
    long_run = "build_id,stage,started_at,ended_at\nM1,support_removal,2026-01-05T08:00,2026-01-06T06:00\n"
    drop(page, ("long.csv", long_run))
    shown = page.browser.get("/monday")
    number = re.search(r"<strong>(\d+)</strong> [^<]*support removal", shown.text)[1]
    done = page.send("/monday/answer", {"question": number, "verdict": "wrong"})
    assert "Kept: wrong" in words_of(done.text)
    assert f"<strong>{number}</strong>" not in done.text
    late = page.send("/monday/answer", {"question": number, "verdict": "right"})  # of a page that still shows it
    assert late.status_code == 422
    assert f"Question {number} was answered meanwhile: wrong" in words_of(late.text)
    back = page.send("/monday/answer", {"question": number, "verdict": "take back"})
    assert "open again" in words_of(back.text)
    minutes = page.send("/monday/answer", {"question": number, "verdict": "mended", "minutes": "0"})
    assert minutes.status_code == 422


def test_a_week_of_which_nothing_was_learned_says_what_to_do(page):
    shown = page.waited(page.browser.get("/monday/week"))
    assert shown.status_code == 422
    assert "Nothing was learned yet" in words_of(shown.text)


def test_the_floor_is_one_screen_that_names_nobody(page):
    shown = page.waited(page.browser.get("/floor"))
    words = words_of(shown.text)
    assert "Runs now" in words
    assert "Waits for a person" in words
    assert not re.search(r"P-[A-Z2-9]{6}", words)


@pytest.mark.skipif(os.name != "posix", reason="a lock as POSIX has it")
def test_the_page_is_read_while_a_command_writes(page):
    import fcntl

    with (page.folder / LOCK_NAME).open("r+b") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # as another program has it
        shown = page.browser.get("/monday")
    assert shown.status_code == 200, words_of(shown.text)
