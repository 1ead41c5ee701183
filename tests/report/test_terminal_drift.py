"""What moved, as the terminal tells it."""

from week_documents import SINCE, drift_of, moved_stage, stage

from calib.report.terminal_drift import show_drift

WIDE = {"since": SINCE, "alarm_at": "2026-06-24", "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0}


def test_a_stage_that_became_erratic_is_told_with_what_to_look_at_but_is_no_row_of_the_table():
    answer = show_drift(drift_of(stage("washing", erratic=WIDE), moved_stage("drying")))
    head, _, erratic = answer.partition("VPP washing:")
    assert "washing" not in head.split("\n", 1)[1]
    assert "More erratic since about 4 May 2026" in erratic
    assert "First reported 24 Jun 2026, new this week." in erratic
    assert "the furthest of the last 10" in erratic


def test_a_stage_that_became_more_even_is_told_once_and_asks_for_nobody():
    answer = show_drift(drift_of(stage("washing", erratic=WIDE | {"change_pct": -40.0})))
    assert answer.count("VPP washing") == 1
    assert "VPP washing: More even since about 4 May 2026" in answer
    assert "Furthest" not in answer


def test_what_is_raised_this_week_is_told_first_though_another_costs_more():
    answer = show_drift(
        drift_of(moved_stage("washing", hours_a_month=90.0), moved_stage("drying", alarm_at="2026-06-24"))
    )
    assert answer.startswith("New this week: VPP drying is slower: 8 min more a build (+24 %).")
    assert answer.index("VPP drying:") < answer.index("VPP washing:")


def test_one_false_alarm_a_year_is_one():
    answer = show_drift(drift_of(stage("washing")) | {"false_alarms_per_year": 1.0})
    assert "Up to 29 Jun 2026; set for 1 false alarm a year in the whole lab." in answer
