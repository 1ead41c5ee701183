"""The quote sheet as a browser shows and prints it: light and dark, phone, A4 and laptop."""

from __future__ import annotations

import re

import pytest
from browser import CHROMIUM, LEAST_LINES, WIDTHS, lines_of_pages, measured, printed
from quote_documents import comparison, full_document, order_document

from calib.report.compare_page import compare_page
from calib.report.quote_sheet import quote_sheet

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the sheet was not looked at in a browser"),
]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_reads_well_at_every_width(tmp_path, dark):
    sheets = {
        "outward": quote_sheet(full_document(), "outward"),
        "inward": quote_sheet(full_document(), "inward"),
        "order": quote_sheet(order_document(), "outward"),
        "compared": compare_page(comparison()),
    }
    pages = {f"{name}{width}": sheet for name, sheet in sheets.items() for width in WIDTHS}
    found, log = measured(tmp_path, pages, dark)
    assert len(found) == len(pages)
    for name, one in found.items():
        assert one["overflow"] <= 0, name
        assert one["requests"] == 0, name
        assert one["over"] == [], name
        assert one["dark"] == dark, name
        assert one["contrast"] >= 4.5, f"{name}: {one['text']!r} has {one['contrast']:.2f}"
    assert "CONSOLE" not in log


def test_the_measure_finds_pale_text_and_what_sticks_out(tmp_path):
    bad = '<html><head></head><body><p style="color:#999">pale</p><div style="width:500px">wide</div></body></html>'
    found, _ = measured(tmp_path, {"bad390": bad}, dark=False)
    assert found["bad390"]["text"] == "pale"
    assert found["bad390"]["contrast"] == pytest.approx(2.85, abs=0.01)  # #999 on white
    assert found["bad390"]["overflow"] > 100


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(
    ("document", "edition", "most"),
    [
        (full_document, "outward", 1),
        (full_document, "inward", 2),
        (order_document, "outward", 1),
        (order_document, "inward", 2),
    ],
    ids=["outward", "inward", "order outward", "order inward"],
)
def test_it_prints_on_one_page_outward_and_two_inward(tmp_path, document, edition, most, paper):
    page = quote_sheet(document(), edition)
    assert "size: A4" in page
    pdf = printed(tmp_path, page.replace("size: A4", f"size: {paper}"))
    lines = lines_of_pages(pdf)
    assert len(lines) <= most
    assert min(lines) >= LEAST_LINES
    points = float(re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+)", pdf)[1])
    assert points == pytest.approx({"A4": 595, "Letter": 612}[paper], abs=1)
