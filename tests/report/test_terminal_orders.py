"""Scores of promises and slips of dates as text."""

from __future__ import annotations

import pandas as pd
import pytest

from calib.quoting.promise import score_promises, score_ranges
from calib.report.terminal_orders import show_accepted_quote, show_quotes

QUOTE = {
    "quote_id": "Q00001", "order_id": "R1", "quoted_at": "2025-12-20T09:00+00:00", "part": "clip.stl", "quantity": 5,
    "process": "MEX", "machine": "m1", "promised_at": "2026-01-04T12:00+00:00", "chance": 0.9,
    "valid_until": "2025-12-27", "accepted_at": "2025-12-21T09:00+00:00", "builds": ["B1"],
    "ready_at": "2026-01-04T11:00+00:00", "state": "in time", "note": None,
}  # fmt: skip


def scored(held: int, count: int, off_h: tuple[float, ...] = (1,)) -> str:
    """The list after so many promises, whose parts came so many hours after their usual date, over and over."""
    due = pd.Timestamp("2026-01-04T12:00", tz="UTC")
    ends = [due - pd.Timedelta(hours=1)] * held + [due + pd.Timedelta(hours=1)] * (count - held)
    frame = pd.DataFrame({"promised_at": [due] * count, "finished_at": ends, "chance": [0.8] * count})
    usual = [end - pd.Timedelta(hours=off_h) for end, off_h in zip(ends, off_h * count, strict=False)]
    near = {"p10": -5, "p50": 0, "p90": 5}
    given = {name: [one + pd.Timedelta(hours=hours) for one in usual] for name, hours in near.items()}
    ranges = score_ranges(pd.DataFrame({"finished_at": ends, **given}))
    return show_quotes(
        {"today": "2026-01-05", "looks": 0, "quotes": [QUOTE], "promises": score_promises(frame), "ranges": ranges}
    )


def test_below_twenty_there_is_no_percentage():
    text = scored(13, 16)
    assert "Promises: kept 13 of 16, and 16 of 16 ended inside the range that holds 8 of 10 times." in text
    assert "81 %" not in text


def test_from_twenty_on_the_share_stands_beside_what_was_said():
    text = scored(17, 20)
    # Wilson's 80 % interval of 17 of 20: 72.2 % to 92.5 % (formula with z = 1.2816)
    assert "Promises: kept 17 of 20, 85 % (8 of 10 times 72 % to 93 %; said was 80 %), and 20 of 20 ended" in text


@pytest.mark.parametrize(
    ("held", "count", "off_h", "means"),
    [
        (4, 4, (-9, -20), "kept 4 of 4, but each came 9 to 20 h earlier than usual: your promises are too late."),
        (1, 4, (2, 30, 8, 9), "kept 1 of 4, 3 of 4 came 8 to 30 h later than usual: your promises are too early."),
        (1, 1, (-9,), "kept 1 of 1, and 0 of 1 ended inside the range"),  # one alone tells nothing
        (10, 10, (-9, 1, 1, 1, 1, 1, 1, 1, 1, 8), "kept 10 of 10, and 8 of 10 ended inside the range"),
    ],
)
def test_one_sentence_says_what_was_kept_and_what_it_means(held, count, off_h, means):
    assert f"Promises: {means}" in scored(held, count, off_h)


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
    doc["cautions"] = [{"process": "MEX", "text": "Hot nozzle.", "stages": ["printing", "cool_down"]}]
    text = show_accepted_quote(doc)
    assert "Caution (MEX printing, cool down): Hot nozzle.\nFollow the safety data sheets" in text
    assert "(by the quote kept over 99 of 100 times)" in text
    assert (
        "Slips: Q00002 (cap.stl, promised Fri 9 Jan midday): kept 93 of 100 times before, 4 of 10 now; usually Fri 9 Jan 15:00 "
        "instead of Thu 8 Jan 09:00." in text
    )
