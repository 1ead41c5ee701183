"""Scores of promises and slips of dates as text."""

from __future__ import annotations

import pandas as pd

from calib.quoting.promise import score_promises
from calib.report.terminal_orders import show_accepted_quote, show_quotes

QUOTE = {
    "quote_id": "Q00001", "order_id": "R1", "quoted_at": "2025-12-20T09:00+00:00", "part": "clip.stl", "quantity": 5,
    "process": "MEX", "machine": "m1", "promised_at": "2026-01-04T12:00+00:00", "chance": 0.9,
    "valid_until": "2025-12-27", "accepted_at": "2025-12-21T09:00+00:00", "builds": ["B1"],
    "ready_at": "2026-01-04T11:00+00:00", "state": "in time", "note": None,
}  # fmt: skip


def scored(held: int, count: int) -> str:
    due = pd.Timestamp("2026-01-04T12:00", tz="UTC")
    ends = [due - pd.Timedelta(hours=1)] * held + [due + pd.Timedelta(hours=1)] * (count - held)
    frame = pd.DataFrame({"promised_at": [due] * count, "finished_at": ends, "chance": [0.8] * count})
    ranges = {"quotes": count, "inside": held, "level": 0.8}
    return show_quotes(
        {"today": "2026-01-05", "looks": 0, "quotes": [QUOTE], "promises": score_promises(frame), "ranges": ranges}
    )


def test_below_twenty_there_is_no_percentage():
    text = scored(13, 16)
    assert "Promises: held 13 of 16." in text
    assert "81 %" not in text


def test_from_twenty_on_the_share_stands_beside_what_was_said():
    text = scored(17, 20)
    # Wilson's 80 % interval of 17 of 20: 72.2 % to 92.5 % (formula with z = 1.2816)
    assert "Promises: held 17 of 20, 85 % (80 % range 72 % to 93 %); said was 80 %." in text


def test_another_year_is_written_in_the_list():
    assert "Sat 20 Dec 2025 09:00" in scored(1, 1)


def test_who_slips_is_named_with_both_dates():
    slip = {
        "quote_id": "Q00002", "part": "cap.stl", "promised_at": "2026-01-09T12:00+00:00", "chance_before": 0.93,
        "chance": 0.4, "usual_before": "2026-01-08T09:00+00:00", "usual": "2026-01-09T15:00+00:00", "below_80": True,
    }  # fmt: skip
    doc = QUOTE | {
        "start": "2026-01-02T09:00+00:00", "chance_then": 0.999, "because": None, "hurried": True, "others": 1,
        "begins_at": "2026-01-02T09:00+00:00", "ready_at": {"p50": "2026-01-04T09:00+00:00"}, "slips": [slip], "warnings": [],
    }  # fmt: skip
    text = show_accepted_quote(doc)
    assert "(chance by the quote over 99 %)" in text
    assert (
        "Slips: Q00002 (cap.stl, promised Fri 9 Jan midday): 93 % before, 40 % now; usually Fri 9 Jan 15:00 instead of "
        "Thu 8 Jan 09:00." in text
    )
