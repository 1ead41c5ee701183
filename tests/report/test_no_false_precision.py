"""What is printed has no more digits than it bears: no seconds of an average, no minutes in an amount a month, no 3.1 days."""

from __future__ import annotations

import re

import pytest
from quote_documents import comparison, option, quote_document
from week_documents import drift_of, full_week, moved_stage

from calib.report.terminal import as_text, table, wrapped
from calib.report.terminal_answer import show_answer
from calib.report.terminal_compare import show_compare
from calib.report.terminal_drift import show_drift
from calib.report.terminal_model import show_predict
from calib.report.terminal_quote import show_quote
from calib.report.terminal_shop import show_capacity
from calib.report.week import week_page

TOO_FINE = {
    "seconds": r"\b\d+ s\b",
    "an amount a month in minutes": r"\d h \d\d? min (?:more|less) a month(?<! 30 min more a month)(?<! 30 min less a month)",
    "tenths of a day": r"\b\d+\.[1-46-9] d\b",
    "a chance in tenths of per cent": r"\b\d+\.\d+ %",
    "money in hundredths": r"\b\d+\.\d\d (?:GBP|EUR|USD)\b",
}


def resource(name, sooner_h, load=0.3):
    return {"resource": name, "kind": "machine", "servers": 1, "hours_used": 50.0, "running_h": 40.03, "waiting_h": 10.2,
            "idle_h": 118.4, "load": load, "sooner_h": sooner_h}  # fmt: skip


CAPACITY = {
    "demand": "what ran", "builds": 60, "weeks": 4, "lead_time_h": 40.37, "warnings": [], "changed": None,
    "resources": [resource("bed-1", 5.683), resource("bed-2", 0.01), resource("ext-1", 0.0001), resource("ext-2", None)],
}  # fmt: skip
DRIFT = drift_of(moved_stage("washing", hours_a_month=9.04, minutes_per_build=34.21, change_pct=79.37))
TEXTS = {
    "answer": lambda: show_answer(quote_document(options=[option("VPP", "v", (74.3, 75.1, 99.9))], due=None)),
    "capacity": lambda: show_capacity(CAPACITY),
    "compare": lambda: show_compare(comparison()),
    "drift": lambda: show_drift(DRIFT),
    "week": lambda: re.sub(r"<svg.*?</svg>|<style.*?</style>|<[^>]+>", " ", week_page(full_week()), flags=re.DOTALL),
}


@pytest.mark.parametrize("what", TOO_FINE)
@pytest.mark.parametrize("output", TEXTS)
def test_no_output_is_finer_than_what_it_says(output, what):
    text = TEXTS[output]().replace("\N{NO-BREAK SPACE}", " ")
    assert len(text) > 100
    assert re.findall(TOO_FINE[what], text) == []


def test_a_range_of_hours_has_no_minutes_and_one_of_minutes_has():
    whole = {
        "build_id": "P1",
        "process": "MEX",
        "stage": "total",
        "p10_min": 1055.2,
        "p50_min": 1156.4,
        "p90_min": 1270.7,
    }
    short = whole | {"build_id": "P2", "p10_min": 9.2, "p50_min": 12.0, "p90_min": 16.8}
    lines = show_predict({"predictions": [whole, short], "out": "r.csv"}).splitlines()
    assert next(line for line in lines if line.startswith("P1")).split()[2:-1] == [
        "19",
        "h",
        "30",
        "min",
        "17",
        "h",
        "30",
        "min",
        "to",
        "21",
        "h",
    ]
    assert next(line for line in lines if line.startswith("P2")).split()[2:-1] == [
        "12",
        "min",
        "9",
        "min",
        "to",
        "17",
        "min",
    ]


@pytest.mark.parametrize("columns", [76, 90, 120, 200])
def test_a_number_stands_beside_its_unit_in_tables_and_sentences(columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    doc = quote_document(options=[option("VPP", "a-machine", (74.3, 75.1, 99.9)), option("PBF", "p1")])
    for text in (show_quote(doc, stages=True), show_drift(DRIFT)):
        for line in wrapped(text, columns).splitlines():
            assert not re.match(r"\s*(?:%|min|h|d|GBP|EUR)(?:\s|$)", line), line
            assert not re.search(r"\d h \d+$", line), line


def test_an_empty_column_goes_where_the_others_have_no_room(monkeypatch):
    rows = [["Q00004", "", 10, "sensor_bracket_of_brass.stl", "Tue 24 Nov", "under 1 %"]]
    for columns, there in ((66, False), (120, True)):
        monkeypatch.setenv("COLUMNS", str(columns))
        text = as_text(table("quote|order|>parts|part|promised|>chance", rows))
        assert max(map(len, text.splitlines())) <= columns
        assert ("order" in text) == there
