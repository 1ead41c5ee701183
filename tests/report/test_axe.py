"""Every page that is written to a file keeps the rules of axe-core, light and dark."""

from __future__ import annotations

import pytest
from browser import CHROMIUM, axe_script, measured
from quote_documents import comparison, full_document, order_document
from week_documents import drift_of, full_week, stage

from calib.logs.bench_card import bench_card
from calib.report.compare_page import compare_page
from calib.report.quote_sheet import quote_sheet
from calib.report.week import week_page

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: no page was looked at in a browser"),
]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_break_no_rule_of_axe(tmp_path, dark):
    pages = {
        "outward794": quote_sheet(full_document(), "outward"),
        "inward794": quote_sheet(full_document(), "inward"),
        "order390": quote_sheet(order_document(), "outward"),
        "compared390": compare_page(comparison()),
        "week1280": week_page(full_week()),
        "quiet390": week_page({"drift": drift_of(stage("washing"))}),
        "card794": bench_card(),
    }
    found, _ = measured(tmp_path, pages, dark, axe_script())
    assert found == {name: [] for name in pages}


def test_what_breaks_a_rule_is_found(tmp_path):
    bad = '<html lang="en"><head><title>a</title></head><body><main><h1>a</h1><img src="data:,"><p style="color:#999">pale</p></main></body></html>'
    found, _ = measured(tmp_path, {"bad390": bad}, False, axe_script())
    assert {told.split(":")[0] for told in found["bad390"]} == {"color-contrast", "image-alt"}
