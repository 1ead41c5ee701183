"""The quote sheet: what goes out, what stays in, and that it is one file that needs nothing else."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from quote_documents import at, comparison, full_document, option, order_document, quote_document

from calib.errors import UsageError
from calib.report.quote_figures import curves, drawing, range_bars, schedule
from calib.report.quote_sheet import quote_sheet


def words_of(page: str) -> str:
    return re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)


def test_outward_is_one_date_and_no_internals():
    page = quote_sheet(quote_document(), "outward")
    assert "Ready by the end of Thursday 3 December 2026 (18:00, when the lab closes)" in page
    assert "We expect to keep this date 93 of 100 times" in page
    assert "Tuesday 8 December 2026" in page
    for inside in ("vpp1", "machine setup", "touch", "Hands", "pbf1", "runs", "GBP", "gloves"):
        assert inside not in words_of(page)


def test_an_accepted_quote_goes_out_with_what_was_promised():
    agreed = {"option": 0, "promised_at": "2026-12-04T23:59:59+01:00", "chance": 0.97}
    page = quote_sheet(quote_document(), "outward", agreed)
    assert "Ready by the end of Friday 4 December 2026" in page
    assert "97 of 100 times" in page


def test_inward_has_options_stages_course_and_cautions():
    page = quote_sheet(quote_document(comparison=comparison()), "inward")
    for inside in ("vpp1", "machine setup", "too large", "Uncured resin", "no least time known", "waiting for a person (about 50 %)",
                   "100 GBP (90 to 120, 8 of 10 times): machine 60, person 40", "10 to 20 parts: too close to call between MEX, VPP and PBF."):  # fmt: skip
        assert inside in page


@pytest.mark.parametrize("edition", ["outward", "inward"])
def test_a_page_is_one_file_without_script_or_network(edition):
    page = quote_sheet(quote_document(), edition)
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)
    assert "url(http" not in page
    assert "@import" not in page
    assert "&lt;b&gt;clip" in page
    assert "<b>clip" not in page


class Outline(HTMLParser):
    """What a screen reader walks by: headings, names of pictures and regions, heads of tables."""

    def __init__(self) -> None:
        super().__init__()
        self.levels, self.unnamed, self.heads = [], [], 0
        self.ids, self.labelled_by = set(), set()

    def handle_starttag(self, tag, attrs):
        has = dict(attrs)
        self.ids |= {has["id"]} if "id" in has else set()
        self.labelled_by |= {has["aria-labelledby"]} if "aria-labelledby" in has else set()
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        named = has.get("aria-label") or has.get("aria-labelledby")
        silent = has.get("aria-hidden") == "true" or has.get("role") == "img"
        if tag == "svg" and not (silent and (named or "aria-hidden" in has)) and has.get("width") not in {"16", "12"}:
            self.unnamed.append(has)
        if tag in {"section"} and not named:
            self.unnamed.append(has)
        if tag == "th":
            assert has.get("scope") in {"col", "row"}, has
            self.heads += 1


@pytest.mark.parametrize("edition", ["outward", "inward"])
def test_a_screen_reader_finds_its_way(edition):
    page = quote_sheet(full_document(), edition)
    walk = Outline()
    walk.feed(page)
    assert walk.levels[0] == 1
    assert walk.levels.count(1) == 1
    assert max(b - a for a, b in pairwise(walk.levels)) <= 1
    assert walk.unnamed == []
    assert walk.labelled_by <= walk.ids
    assert '<main id="main">' in page
    assert walk.heads > 0


def test_an_order_lists_and_draws_its_parts():
    page = quote_sheet(order_document(), "outward")
    assert "Order of 6 parts, 156 pieces" in page
    assert page.count('role="img"') == 3
    assert "The first 3 are drawn." in page
    assert "340.0 × 20.0 × 20.0 mm" in page


def test_an_unknown_edition_is_one_sentence():
    with pytest.raises(UsageError, match='"sideways" is not an edition'):
        quote_sheet(quote_document(), "sideways")


def test_spans_are_cut_at_midnight_and_days_between_are_shown():
    course = [
        *quote_document()["course"],
        {"job": "build 1", "stage": "packing", "lane": "hands", "from": at(69), "to": at(70)},
    ]
    days = schedule(course, at(0))["days"]
    assert [day["name"] for day in days] == ["Tue 1 Dec", "Wed 2 Dec", "Thu 3 Dec", "Fri 4 Dec"]
    assert (days[0]["spans"][0]["top"], days[0]["spans"][0]["bottom"]) == (20.0, 24.0)
    assert (days[1]["spans"][0]["top"], days[1]["spans"][0]["bottom"]) == (0.0, 1.0)
    assert days[2]["spans"] == []


def test_all_bars_share_one_axis_from_the_midnight_before_the_first():
    doc = quote_document(options=[option("VPP", "a", (40, 43, 53)), option("MEX", "b", (64, 67, 77))])
    bars = range_bars(doc["options"], doc["start"], doc["due"])
    first, second = bars["rows"]
    hour = (second["low"] - first["low"]) / 24  # the second is a day later throughout
    assert [first[name] / hour for name in ("low", "middle", "high")] == pytest.approx(
        [3, 6, 16]
    )  # from Thu 3 Dec 00:00
    assert bars["due"] / hour == pytest.approx(12)  # asked for at Thu 3 Dec 12:00
    assert max(second["high"], bars["due"]) < bars["width"]


def test_a_due_date_far_away_does_not_squeeze_the_bars():
    doc = quote_document()
    assert range_bars(doc["options"], doc["start"], "2027-12-03T12:00+01:00")["due"] is None


def test_views_line_up_and_carry_the_sizes():
    def view(width, height):
        return {"lines": [[[0, 0], [width, height]]], "width_mm": width, "height_mm": height}

    drawn = drawing({"front": view(70.0, 55.0), "side": view(40.0, 55.0), "top": view(70.0, 40.0)})
    assert sorted(size["text"] for size in drawn["sizes"]) == ["40.0", "55.0", "70.0"]
    corners = [[float(x) for x in re.findall(r"[\d.]+", view["path"])] for view in drawn["views"]]
    top, front, side = corners  # each from lower left to upper right
    assert (top[0], top[2]) == (front[0], front[2])
    assert (side[1], side[3]) == (front[1], front[3])
    assert (front[2] - front[0]) / (front[1] - front[3]) == pytest.approx(70 / 55, rel=0.01)
    assert top[1] < front[3]


def test_curves_rise_with_time_and_keep_their_names_apart():
    chart = curves(comparison(), "lead_time_h", quantity=20)
    mex, vpp, pbf = chart["panels"]
    assert mex["points"][-1][1] < vpp["points"][-1][1] < pbf["points"][-1][1]  # y counts downwards: MEX takes longest
    assert len({one["dash"] for one in chart["panels"]}) == 3
    assert all(len(one["beside"]) == 2 for one in chart["panels"])
    assert len({tick["text"].split()[1] for tick in chart["y_ticks"]}) == 1  # one unit on one axis
    names = sorted(one["name_y"] for one in chart["panels"])
    assert min(b - a for a, b in pairwise(names)) >= 13
    assert chart["mark"] == next(tick["x"] for tick in chart["x_ticks"] if tick["text"] == "20")
