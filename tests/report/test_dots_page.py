"""Dots of a page: a direct label at each row, the promised and the asked time as lines, closed days named."""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from quote_documents import START, at, comparison, half_day, option

from calib.report.compare_page import compare_page
from calib.report.dots import DotRow, nine_of_ten_by, page_calendar, rows_of


def dots(*hours: float) -> list[datetime]:
    return [datetime.fromisoformat(at(hour)) for hour in hours]


@pytest.mark.parametrize(
    ("due", "columns", "marked"),
    [
        (20.0, ["Tue am", "Wed am"], "Wed am"),
        (26.0, ["Tue am", "Wed am", "pm"], "pm"),
        (200.0, ["Tue 1 Dec am", "Wed 2 Dec am", "Wed 9 Dec pm"], "Wed 9 Dec pm"),
        (-20.0, ["Mon 30 Nov pm", "Tue 1 Dec am", "Wed 2 Dec am"], "Mon 30 Nov pm"),
    ],
)
def test_the_asked_time_ends_a_column_even_where_no_dot_lies(due, columns, marked):
    calendar = page_calendar([DotRow("VPP", dots(*[1.0] * 10, *[23.0] * 10))], at(0), due=at(due))
    assert [(column["name"], column["asked"]) for column in calendar["columns"]] == [
        (name, name == marked) for name in columns
    ]
    (row,) = calendar["rows"]
    assert [cell["asked"] for cell in row["cells"]] == [name == marked for name in columns]


def test_a_time_that_ends_a_day_lies_in_that_day():
    midnight = START.replace(hour=0).isoformat()  # the end of Mon 30 Nov
    calendar = page_calendar([DotRow("VPP", dots(*[1.0] * 20))], at(0), due=midnight)
    assert calendar["columns"][0] == {"name": "Mon 30 Nov pm", "closed": False, "asked": True}


def test_a_promise_that_no_job_keeps_has_its_line():
    calendar = page_calendar([DotRow("Q1", dots(*[50.0] * 20), promised_at=half_day(0))], at(0))
    assert [(cell["number"], cell["promised"]) for cell in calendar["rows"][0]["cells"]] == [(0, True), (20, False)]


def test_every_row_is_labelled_where_it_stands():
    calendar = page_calendar(rows_of([option("MEX", "m1", promised_at=half_day(30))], at(0)), at(0))
    assert [(row["name"], row["label"]) for row in calendar["rows"]] == [("MEX m1", "Wed 2 Dec 18:00")]


def test_nine_of_ten_are_eighteen_of_the_twenty_that_are_drawn():
    # the 18th of 20 dots lies on Wed afternoon, 27 h after Tue 11:00; the 17th on Tue
    assert nine_of_ten_by(dots(*[2.0] * 17, 27.0, 60.0, 60.0), at(0)) == "end of Wed 2 Dec"
    assert nine_of_ten_by(dots(*[2.0] * 18, 60.0, 60.0), at(0)) == "end of Tue 1 Dec"


def test_the_page_of_a_comparison_labels_each_row_with_what_its_dots_say():
    doc = comparison() | {
        "start": at(0),
        "dots": [{"quantity": 5, "process": "MEX", "ready_dots": [at(2.0)] * 17 + [at(49.0)] * 3}],
    }
    (label,) = re.findall(r'<th scope="row">MEX <span class="label">([^<]+)</span>', compare_page(doc))
    assert label.replace("\N{NO-BREAK SPACE}", " ") == "9 of 10 by Thu 3 Dec midday"
