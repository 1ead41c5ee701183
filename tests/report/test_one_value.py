"""One quantity that is printed in several places has one value there, in one wording."""

from __future__ import annotations

import re

from markupsafe import escape
from quote_documents import at, comparison, option, quote_document
from week_documents import drift_of, full_week, moved_stage

from calib.report.compare_page import compare_page
from calib.report.promise_lines import promise_lines
from calib.report.quote_sheet import quote_sheet
from calib.report.terminal_answer import show_answer
from calib.report.terminal_drift import show_drift
from calib.report.terminal_quote import show_quote
from calib.report.terminal_shop import show_capacity
from calib.report.week import week_page


def words(page: str) -> str:
    body = re.sub(r"<(style|script)>.*?</\1>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", body)).replace("\N{NO-BREAK SPACE}", " ")


def test_load_of_the_fullest_resource_on_the_week_page_and_by_the_capacity_command():
    load = {
        "resource": "V1", "kind": "machine", "servers": 1, "load": 0.8, "sooner_h": 5.7, "hours_used": 134.0,
        "running_h": 100.0, "waiting_h": 34.0, "idle_h": 34.0,
    }  # fmt: skip
    answer = show_capacity(
        {
            "demand": "what was logged",
            "builds": 60,
            "weeks": 4,
            "resources": [load],
            "lead_time_h": 40.3,
            "warnings": [],
        }
    )
    (sentence,) = re.findall(r"Builds wait most for [^\n]*", answer)
    week = full_week()
    week["time_goes"] |= {"bottleneck": load | {"lead_time_h": 40.3}}
    assert sentence in words(week_page(week))
    assert "80 %" in sentence
    assert re.search(r"V1\s+#+\.+\s+80 %", answer)  # its row has the load of the sentence


def test_builds_of_a_process_in_the_picture_and_in_its_table():
    page = week_page(full_week()).replace("\N{NO-BREAK SPACE}", " ")
    assert (
        page.count("VPP, work on 9 builds: 10 h hands on, 40 h machine alone, 25 h waiting.") == 2
    )  # a wide picture and a slim one
    (row,) = re.findall(r'<tr><th scope="row">VPP</th>(.*?)</tr>', page)
    assert re.findall(r">([^<]+)</td>", row) == ["10 h", "40 h", "25 h", "9"]


def test_a_change_on_the_page_and_by_the_drift_command():
    drift = drift_of(moved_stage("post_curing"))
    page, answer = words(week_page({"as_of": drift["as_of"], "drift": drift})), show_drift(drift)
    for shown in (
        "8 min more a build (+24 %)",
        "5 h 30 min more a month",
        "41 min for a usual build now (33 min before)",
    ):
        assert shown in page, shown
        assert shown in answer, shown
    assert re.search(r"\+24 %\s+\+17 % to \+31 %", answer)
    assert "+24 %, 9 of 10 times between +17 % and +31 %" in page


def test_the_chance_of_a_promise_on_the_page_and_in_the_weekly_text():
    week = full_week()
    line = promise_lines(week["open_promises"])[1]
    says = line.split("; ")[1].removesuffix(".")
    assert "41 of 100" in says
    assert says in words(week_page(week))


def test_a_promise_in_the_short_answer_the_full_one_and_on_the_internal_copy():
    doc = quote_document(part="clip.stl", options=[option("VPP", "vpp1")])
    pages = [show_answer(doc), show_quote(doc), words(quote_sheet(doc, "inward"))]
    assert all("Thu 3 Dec 18:00" in page and "93 of 100" in page for page in pages)


def test_a_zone_on_the_page_of_a_comparison_and_on_the_internal_copy():
    doc = comparison()
    sheet = quote_sheet(quote_document(comparison=doc), "inward")
    for sentence in (
        "1 to 5 parts: MEX first, 8 of 10 times or more.",
        "From 50 parts on: PBF first, 8 of 10 times or more.",
    ):
        assert escape(sentence) in compare_page(doc | {"start": at(0)})
        assert escape(sentence) in sheet
