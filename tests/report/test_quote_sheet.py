"""The quote sheet: what goes out, what stays in, and that it is one file that needs nothing else."""

from __future__ import annotations

import re

import pytest

from calib.errors import UsageError
from calib.report.quote_sheet import ladder, quote_sheet, range_bars
from calib.report.terminal_compare import show_compare
from calib.report.terminal_quote import show_quote


def stage(name: str, minutes: float, hands: float, runs: int = 12) -> dict:
    return {"stage": name, "baseline_min": minutes, "p10_min": 0.8 * minutes, "p50_min": minutes,
            "p90_min": 1.3 * minutes, "touch_min": hands, "runs_behind": runs}  # fmt: skip


@pytest.fixture
def document() -> dict:
    hours = {"p10": 20.0, "p50": 30.0, "p90": 50.0}
    option = {
        "process": "VPP", "machine": "vpp1", "material": "resin", "builds": 2, "parts_per_build": 6,
        "stages": [stage("machine_setup", 12, 12), stage("printing", 300, 0), stage("washing", 24, 8, 0)],
        "work_min": {"p10": 300, "p50": 336, "p90": 400}, "touch_min": {"p10": 15, "p50": 20, "p90": 30},
        "lead_time_h": hours, "first_part_h": hours,
        "ready_at": {"p10": "2026-12-02T07:00+01:00", "p50": "2026-12-02T17:00+01:00", "p90": "2026-12-03T13:00+01:00"},
        "sure_at": "2026-12-03T13:00+01:00", "on_time": 0.83, "cost": None,
        "warnings": ["resin: the data sheet's least time of washing is not known."],
        "cautions": [{"stages": ["washing"], "text": "Uncured resin and solvent: gloves."}],
    }  # fmt: skip
    views = {"lines": [[[0, 0], [10, 0]]], "width_mm": 10.0, "height_mm": 5.0, "left_out": 0}
    return {
        "quote_id": "Q7", "part": "<b>clip</b>.stl", "quantity": 12, "level": 0.8, "options": [option], "sure": 0.9,
        "out": [{"process": "PBF", "machine": "pbf1", "reason": "too large"}], "due": "2026-12-03T12:00+01:00",
        "soonest": {"process": "VPP", "machine": "vpp1", "chance": 0.7}, "valid_until": "2026-12-08",
        "start": "2026-12-01T11:00+01:00", "notes": ["Not judged: strength."],
        "drawing": dict.fromkeys(("front", "side", "top"), views),
        "width": [{"cause": "waiting", "share": 0.5, "runs_behind": None}],
        "course": [{"job": "build 1", "stage": "printing", "lane": "machine", "from": "2026-12-01T20:00+01:00",
                    "to": "2026-12-02T01:00+01:00"}],
    }  # fmt: skip


def test_outward_is_one_date_and_no_internals(document):
    page = quote_sheet(document, "outward")
    assert "Ready by the end of Thu 3 Dec 2026" in page
    assert "90 %" in page
    assert "8 Dec 2026" in page
    for inside in ("vpp1", "machine setup", "touch", "Hands", "pbf1", "runs"):
        assert inside not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)


def test_inward_has_options_stages_course_and_cautions(document):
    page = quote_sheet(document, "inward")
    for inside in (
        "vpp1",
        "machine setup",
        "too large",
        "Uncured resin",
        "not known",
        "waiting (50 % of the variation",
    ):
        assert inside in page


@pytest.mark.parametrize("edition", ["outward", "inward"])
def test_a_page_is_one_file_without_script_or_network(document, edition):
    page = quote_sheet(document, edition)
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)
    assert "url(http" not in page
    assert "@import" not in page
    assert "&lt;b&gt;clip" in page
    assert "<b>clip" not in page


def test_an_unknown_edition_is_one_sentence(document):
    with pytest.raises(UsageError, match='"sideways" is not an edition'):
        quote_sheet(document, "sideways")


def test_spans_are_cut_at_midnight(document):
    days = ladder(document["course"])["days"]
    assert [day["name"] for day in days] == ["Tue 1 Dec", "Wed 2 Dec"]
    assert (days[0]["spans"][0]["top"], days[0]["spans"][0]["bottom"]) == (20.0, 24.0)
    assert (days[1]["spans"][0]["top"], days[1]["spans"][0]["bottom"]) == (0.0, 1.0)


def test_all_bars_share_one_axis(document):
    bars = range_bars(document["options"], document["start"], document["due"])
    row = bars["rows"][0]
    assert row["middle"] / row["low"] == pytest.approx(1.5)
    assert 0 < bars["due"] < bars["width"]


def test_the_terminal_says_what_to_promise_and_why(document):
    text = show_quote(document, stages=True)
    assert "promise Thu 3 Dec 13:00 to be 90 % sure" in text
    assert "is kept with 83 % by VPP on vpp1" in text
    assert "1 of 3 stages not yet learned" in text
    assert "pbf1 (PBF): too large" in text


def test_a_comparison_names_its_flips():
    lead = [{"quantity": q, "p10": 1.0, "p50": 2.0 * q, "p90": 4.0 * q} for q in (1, 10)]
    option = {"process": "MEX", "machine": "mex1", "lead_time_h": lead, "per_part_h": lead}
    flip = {"quantity": 10, "from": "VPP", "to": "MEX", "chance": 0.6}
    text = show_compare({"quantities": [1, 10], "options": [option], "flips": [flip]})
    assert "From 10 parts on MEX is soonest, not VPP (chance 60 %)." in text
