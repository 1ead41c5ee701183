"""Of a stage that nobody logs it is asked once whether it is done; quotes obey, a hazard's stage stays."""

from __future__ import annotations

import pandas as pd
import pytest

from calib.shop.read_shop import read_shop
from calib.workflow.fit import stages_to_ask_of
from calib.workflow.fitted import find_fitted

LOGGED = ("printing", "unloading", "post_curing", "packing")


def resin_lab(lab):
    """Builds by VPP of which draining, washing, drying and others are never written down."""
    head = "build_id,process,machine,parts,material,part_volume_cm3,height_mm\n"
    rows, runs = "", "build_id,stage,started_at,ended_at\n"
    for number in range(20):
        day = f"2026-{1 + number // 25:02d}-{1 + number % 25:02d}"
        rows += f"B{number},VPP,vpp1,2,resin,{20 + number},{30 + number}\n"
        for hour, stage in enumerate(LOGGED, 8):
            runs += f"B{number},{stage},{day}T{hour:02d}:00,{day}T{hour:02d}:{20 + number % 7}\n"
    lab.take(head + rows, runs)
    assert lab.call("fit")[0] == 0


def questions(lab, *options):
    asked = lab.document("review", *options)["questions"]
    return {one["stage"]: one["mark_id"] for one in asked if one["rule"] == "never logged"}


def test_what_is_not_done_leaves_quotes_after_the_next_fit_unless_a_hazard_needs_it(lab):
    resin_lab(lab)
    asked = questions(lab)
    assert {"draining", "washing", "machine_cleaning"} <= set(asked)
    out = lab.call("review")[1]
    assert "in 20 builds by VPP nobody logged draining: not done here, or done and not written down?" in out
    assert "--not-done" in out
    share = find_fitted(lab.folder).silent["VPP", "machine_cleaning"].share
    for stage in ("draining", "washing"):
        assert "-> not done here" in lab.call("review", asked[stage], "--not-done")[1]
    assert "-> done, not written down" in lab.call("review", asked["machine_cleaning"].lower(), "--not-written")[1]
    assert "changed since the last fit" in " ".join(find_fitted(lab.folder).warnings)
    assert lab.call("fit")[0] == 0
    answer = "20 builds by VPP went another way than the shop file's route: without draining. To take it over, write in shop.toml:"
    out = lab.call("review")[1]
    assert answer in out
    assert '\n  [routes]\n  VPP = ["design_adaptation", "file_prep", "machine_setup", ' in out
    assert "washing" in out.partition("[routes]")[2]  # though it was said that it is not done
    fitted = find_fitted(lab.folder)
    route = fitted.route("VPP", "resin", "supports_off", False, read_shop(lab.folder))
    assert "draining" not in route
    assert "washing" in route  # uncured resin does not leave unwashed
    assert "machine_cleaning" in route
    assert fitted.silent["VPP", "machine_cleaning"].share >= share  # of its gap, which nothing else shares now
    assert questions(lab, "--answered").keys() == {"draining", "washing", "machine_cleaning"}
    assert "draining" not in questions(lab)  # asked once
    assert "is open again" in lab.call("review", asked["draining"], "--undo")[1]
    assert questions(lab)["draining"] == asked["draining"]


def test_questions_of_several_stages_are_answered_at_once_all_or_none(lab):
    resin_lab(lab)
    asked = questions(lab)
    both = f"{asked['draining']},{asked['drying'].lower()}"
    status, _, err = lab.call("review", f"{both},S99", "--not-written")
    assert status == 2
    assert "There is no question S99." in err
    assert questions(lab) == asked  # none of them was answered
    out = lab.call("review", both, "--not-written")[1]
    assert "nobody logged draining" in out
    assert "nobody logged drying" in out
    assert f"calib review {asked['draining']},{asked['drying']} --undo" in out
    assert questions(lab, "--answered").keys() == {"draining", "drying"}
    assert lab.call("review", both, "--undo")[1].count("is open again") == 2
    assert questions(lab) == asked


def test_a_few_builds_are_no_habit():
    counts = pd.DataFrame({"process": "VPP", "stage": ["draining", "drying"], "builds": [19, 20]})
    assert stages_to_ask_of(counts) == {("VPP", "drying"): 20}


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["S1", "--right"], "Question S1 is of a stage that nobody logs. Say --not-done or --not-written."),
        (["S9", "--not-done"], "There is no question S9."),
        (["S1", "--undo"], "There is no question S1."),
        (["x", "--right"], '"x" is no question.'),
        (["S1,4", "--not-done"], '"S1,4" is no list of questions of stages.'),
    ],
)
def test_an_answer_that_does_not_fit_is_one_sentence(lab, words, sentence):
    status, _, err = lab.call("review", *words)
    assert status == 2
    assert sentence in err
