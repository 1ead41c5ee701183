"""The page of a comparison over quantities."""

from __future__ import annotations

import re

import pytest
from quote_documents import at, comparison

from calib.report.compare_page import compare_page
from calib.report.quote_sentences import zone_sentences


def test_dots_of_a_few_quantities_and_closed_days_stand_before_the_curves():
    dots = [
        {"quantity": quantity, "process": process, "ready_dots": [at(24 * day) for day in (2, 2, 2, 6)] * 5}
        for quantity in (1, 100)
        for process in ("MEX", "VPP")
    ]
    closed = {"closed_days": ["2026-12-05", "2026-12-06"]}  # at(0) is a Tuesday: dots lie on Thursday and Monday
    page = compare_page(comparison() | {"start": at(0), "dots": dots, **closed})
    assert page.count('<table class="dots"') == 2
    assert page.count('<th scope="col" class="shut">Sat, Sun closed</th>') == 2
    assert page.count('<td class="shut"></td>') == 4
    assert page.count('<span class="unseen">15</span>') == 4
    assert page.index("When such jobs are ready") < page.index("Time until all are ready")


def test_it_shows_three_measures_and_where_it_flips():
    page = compare_page(comparison() | {"shop": "A & B"})
    assert page.count('role="img"') == 3 * 3  # a panel for each process and measure
    assert "From 50 parts on: PBF first, 8 of 10 times or more." in page
    assert "A &amp; B" in page
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)


@pytest.mark.parametrize(
    ("kept", "sentence"),
    [
        (["MEX", "VPP", "PBF"], "At all these quantities: MEX first, 8 of 10 times or more."),
        (["VPP"], "VPP is the only process that can make it."),
    ],
)
def test_where_nothing_flips_the_soonest_is_named(kept, sentence):
    doc = comparison()
    options = [option for option in doc["options"] if option["process"] in kept]
    assert zone_sentences(doc | {"options": options, "zones": doc["zones"][:1]}) == [sentence]
