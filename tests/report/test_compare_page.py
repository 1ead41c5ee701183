"""The page of a comparison over quantities."""

from __future__ import annotations

import re

import pytest
from quote_documents import comparison

from calib.report.compare_page import compare_page
from calib.report.terminal_compare import flip_sentences


def test_it_shows_three_measures_and_where_it_flips():
    page = compare_page(comparison() | {"shop": "A & B"})
    assert page.count('role="img"') == 3
    assert "From 50 parts on PBF is soonest, not VPP (chance 80 %)." in page
    assert "A &amp; B" in page
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)


@pytest.mark.parametrize(
    ("kept", "told"),
    [
        (["MEX", "VPP", "PBF"], "MEX is soonest at all these quantities."),
        (["VPP"], "VPP is the only process that can make it."),
    ],
)
def test_where_nothing_flips_the_soonest_is_named(kept, told):
    doc = comparison()
    options = [option for option in doc["options"] if option["process"] in kept]
    assert flip_sentences(doc | {"options": options, "flips": []}) == [told]
