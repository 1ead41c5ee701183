"""The page of a comparison over quantities."""

from __future__ import annotations

import re

import pytest
from quote_documents import comparison

from calib.report.compare_page import compare_page
from calib.report.quote_sentences import zone_sentences


def test_it_shows_three_measures_and_where_it_flips():
    page = compare_page(comparison() | {"shop": "A & B"})
    assert page.count('role="img"') == 3
    assert "From 50 parts on: PBF first, 8 of 10 times or more." in page
    assert "A &amp; B" in page
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)


@pytest.mark.parametrize(
    ("kept", "told"),
    [
        (["MEX", "VPP", "PBF"], "At all these quantities: MEX first, 8 of 10 times or more."),
        (["VPP"], "VPP is the only process that can make it."),
    ],
)
def test_where_nothing_flips_the_soonest_is_named(kept, told):
    doc = comparison()
    options = [option for option in doc["options"] if option["process"] in kept]
    assert zone_sentences(doc | {"options": options, "zones": doc["zones"][:1]}) == [told]
