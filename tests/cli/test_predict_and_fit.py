"""What predict and fit say to a person."""

from __future__ import annotations

import pytest


def test_predict_shows_each_build_and_warns_of_strange_machines(lab, calib):
    (lab / "plan.csv").write_text(
        "build_id,process,machine,parts\nQ1,VPP,vpp1,2\nQ2,VPP,mex1,2\nQ3,VPP,nope,2\nQ4,VPP,vpp1,0\n"
    )
    status, out, _ = calib("predict plan.csv --out new/ranges.csv")
    assert status == 0
    assert [line.split()[:2] for line in out.splitlines()[2:5]] == [["Q1", "VPP"], ["Q2", "VPP"], ["Q3", "VPP"]]
    assert "Build Q2 is VPP on mex1, which is a MEX machine" in out
    assert 'Machine "nope" is not in the shop file' in out
    assert 'plan.csv line 5, column parts: "0" must be 1 or more' in out
    assert "Every stage: new/ranges.csv" in out
    assert (lab / "new" / "ranges.csv").exists()


def test_a_day_beyond_the_last_log_is_the_last_log(lab, calib, document):
    fitted = document("fit --as-of 2030-01-01")
    assert fitted["as_of"] == "2026-01-07"
    assert "not to 2030-01-01" in fitted["warnings"][0]
    assert document("drift")["as_of"] == "2026-01-07"
    assert "The last log ends on 2026-01-07" in calib("fit --as-of 2030-01-01")[1]


def test_an_answered_question_changes_what_is_learned(lab, calib, document):
    before = document("fit")["runs_used"]
    for mark in document("review")["questions"]:
        calib(f"review {mark['mark_id']} --leave-out")
    assert "changed since the last fit" in document("predict logs/builds.csv")["warnings"][0]
    assert document("fit")["runs_used"] == before - 2
    assert not any("since the last fit" in text for text in document("predict logs/builds.csv")["warnings"])


def test_logs_that_were_known_already_make_no_fit_old(lab, calib, document):
    document("fit")
    assert calib("import logs")[0] == 0
    assert not any("since the last fit" in text for text in document("predict logs/builds.csv")["warnings"])


@pytest.mark.parametrize("day", ["0001-01-01", "1989-12-31", "2101-01-01", "9999-12-31"])
@pytest.mark.parametrize("line", ["fit --as-of", "promises --start"])
def test_days_far_out_are_refused_in_words(lab, calib, line, day):
    status, _, err = calib(line, day)
    assert (status, err) == (2, f'calib: "{day}" is not between the years 1990 and 2100. Write 2026-12-04.\n')


def test_a_day_before_all_logs_says_what_is_left_out(lab, calib):
    status, _, err = calib("fit --as-of 1999-01-01")
    assert status == 2
    assert "Left out: 4 after the day asked for. Name a later day" in err


@pytest.mark.parametrize(
    "line", ["predict plan.csv --out", "quote part.stl --qty 1 --sheet", "quote part.stl --qty 1 --inward"]
)
@pytest.mark.parametrize(
    ("out", "sentence"),
    [("", ". is a folder."), ("logs", "logs is a folder."), ("plan.csv/x.html", "cannot be written")],
)
def test_a_page_that_cannot_be_written_is_told_and_nothing_is_stored(lab, calib, document, line, out, sentence):
    (lab / "plan.csv").write_text("build_id,process,machine,parts\nQ1,VPP,vpp1,2\n")
    status, _, err = calib(line, out)
    assert status == 2
    assert sentence in err
    assert document("quotes")["quotes"] == []


def test_an_export_takes_the_place_of_no_log_that_was_imported(lab, calib):
    before = (lab / "logs" / "builds.csv").read_bytes()
    status, _, err = calib("export logs")
    assert (status, (lab / "logs" / "builds.csv").read_bytes()) == (2, before)
    assert (
        "logs/builds.csv is in logs, where the shop keeps its own logs: no result is written there. Name another place."
        in err
    )
    assert calib("export out")[0] == calib("export out")[0] == 0
