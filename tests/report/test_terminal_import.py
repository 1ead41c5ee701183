"""The summary of an import as text: totals, silent machines, what waits."""

from __future__ import annotations

from calib.report.terminal_import import show_import

FILE = {
    "path": "logs/june.csv", "kind": "stages", "rows_read": 12, "rows_new": 9, "rows_corrected": 1, "rows_repeated": 0,
    "rows_held": 1, "rows_quarantined": 1, "error": None,
}  # fmt: skip
REJECT = {
    "reject_id": 4,
    "path": "june.csv",
    "line": 7,
    "value": "-35",
    "reason": "must be above 0",
    "column": "work_min",
}


def lines(**more):
    return show_import({"files": [FILE], "joined": 0, **more}).splitlines()


def test_silent_machines_come_before_the_last_logs_of_the_others():
    shown = lines(
        silent_machines=[{"machine": "ext-2", "last": "2026-10-02"}],
        last_logs=[{"machine": one, "last": day} for one, day in (("ext-1", "2026-11-20"), ("ext-2", "2026-10-02"))],
    )
    assert shown[-2:] == [
        "Longer than usual without a print: ext-2 silent since 2 Oct 2026. Is its log missing?",
        "Last log of each machine: 20 Nov 2026: ext-1.",
    ]


def test_several_problems_of_a_row_are_one_line():
    other = REJECT | {"column": "date", "value": None, "reason": "is no day"}
    assert '  june.csv line 7, work_min "-35" must be above 0; date is no day' in lines(quarantine=[REJECT, other])


def test_many_rows_set_aside_are_cut_short_with_the_command_for_all():
    many = [REJECT | {"reject_id": number, "line": number} for number in range(1, 15)]
    shown = show_import({"files": [FILE | {"rows_quarantined": 14}], "joined": 0, "quarantine": many}).splitlines()
    assert "Set aside, 14 rows:" in shown
    assert shown[-1] == "  ... the others: calib set-aside"
    assert sum("must be above" in line for line in shown) == 10


def test_more_questions_than_are_asked_are_counted():
    mark = {"mark_id": 3, "sentence": "june.csv line 7: washing of B1 lasted 900 min: a forgotten timer?"}
    assert lines(review=[mark], review_open=9)[-2:] == [
        "To ask a person, the largest effect first (of 9):",
        "    3  june.csv line 7: washing of B1 lasted 900 min: a forgotten timer?",
    ]


def test_what_to_log_next_is_a_sentence():
    answer = {"process": "PBF", "stage": "sanding", "runs": 2, "more": 5, "by": "machine", "value": "bed-2", "now_pct": 40.2, "then_pct": 25.1}  # fmt: skip
    assert lines(log_next=[answer])[-1] == (
        "  5 runs of PBF sanding on bed-2 would narrow this stage from ±40 % to ±25 % (2 runs logged)"
    )
