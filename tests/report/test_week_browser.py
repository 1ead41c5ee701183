"""The week's page as a browser shows and prints it: light and dark, phone, A4 and laptop, by key and by tap."""

from __future__ import annotations

import re

import pytest
from browser import CHROMIUM, LEAST_LINES, WIDTHS, lines_of_pages, measured, printed
from week_documents import drift_of, full_week, stage

from calib.report.week import week_page

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the page was not looked at in a browser"),
]
A4_TEXT = 688  # px: 210 mm less two margins of 14 mm, 96 px an inch


def as_printed(page: str) -> str:
    """The page with its print rules in force on the screen."""
    return page.replace("@media print", "@media all").replace("@media screen", "@media not all")


def check(found: dict, smallest: float = 11.0) -> None:
    for name, one in found.items():
        assert one["overflow"] <= 0, name
        assert one["requests"] == 0, name
        assert one["contrast"] >= 4.5, f"{name}: {one['text']!r} has {one['contrast']:.2f}"
        assert one["smallest"] >= smallest, f"{name}: {one['small_text']!r} has {one['smallest']:.1f} px"
        assert one["cut"] == [], name
        assert one["over"] == [], name


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_reads_well_at_every_width(tmp_path, dark):
    full, quiet = week_page(full_week()), week_page({"drift": drift_of(stage("washing"))})
    pages = {f"full{width}": full for width in WIDTHS} | {"quiet390": quiet}
    found, log = measured(tmp_path, pages, dark)
    assert len(found) == len(pages)
    check(found)
    assert all(one["dark"] == dark for one in found.values())
    assert "CONSOLE" not in log


def test_it_prints_on_a4_light_with_nothing_cut_even_where_the_screen_is_dark(tmp_path):
    page = week_page(full_week())
    found, _ = measured(tmp_path, {f"print{A4_TEXT}": as_printed(page)}, dark=True)
    check(found, smallest=10.0)
    assert not found[f"print{A4_TEXT}"]["dark"]
    pdf = printed(tmp_path, page)
    lines = lines_of_pages(pdf)
    assert 2 <= len(lines) <= 4
    assert min(lines) >= LEAST_LINES
    assert float(re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+)", pdf)[1]) == pytest.approx(595, abs=1)


def test_lines_of_a_printed_page_are_counted(tmp_path):
    two = "<p>one</p><p>two</p><p>three <b>bold</b></p><p style='break-before: page'>alone</p>"
    assert lines_of_pages(printed(tmp_path, f"<html><body>{two}</body></html>")) == [3, 1]


TRY = """<script>addEventListener("load", () => {
  const figure = document.querySelector("figure[tabindex]"), words = figure.querySelector(".words");
  const press = key => figure.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
  const shown = [...figure.querySelectorAll("circle")].filter(one => one.getClientRects().length);
  const read = [words.textContent];
  press("ArrowLeft"); read.push(words.textContent);
  press("ArrowLeft"); read.push(words.textContent);
  shown[0].dispatchEvent(new MouseEvent("click", {bubbles: true})); read.push(words.textContent);
  document.title = "measured " + JSON.stringify(read);
});</script>"""


def test_runs_are_said_by_arrow_keys_and_by_tap(tmp_path):
    found, _ = measured(tmp_path, {"keys390": week_page(full_week())}, dark=False, script=TRY)
    before, newest, one_earlier, tapped = found["keys390"]
    assert before == ""
    assert newest.startswith("B59: 30 min")
    assert one_earlier.startswith("B58: 30 min")
    assert tapped.startswith("B0: 30 min")


def test_the_measure_finds_words_that_lie_on_each_other(tmp_path):
    words = '<text x="0" y="15">Mon 30 Nov pm</text><text x="60" y="15">Tue am</text><text x="200" y="15">pm</text>'
    svg = f'<svg viewBox="0 0 400 20" style="width:400px" fill="#000" font-size="12">{words}</svg>'
    found, _ = measured(tmp_path, {"bad390": f"<html><head></head><body>{svg}</body></html>"}, dark=False)
    assert found["bad390"]["over"] == ["Mon 30 Nov pm / Tue am"]


def test_the_measure_finds_small_and_cut_text_in_pictures(tmp_path):
    svg = '<svg viewBox="0 0 400 20" style="width:200px" fill="#000"><text x="-40" y="15" font-size="12">long</text></svg>'
    found, _ = measured(tmp_path, {"bad390": f"<html><head></head><body>{svg}</body></html>"}, dark=False)
    assert found["bad390"]["smallest"] == pytest.approx(6.0)  # 12 px drawn at half its size
    assert found["bad390"]["cut"] == ["long"]
