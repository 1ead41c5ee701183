"""The answer to the common question on one small screen: promise, cheapest, dots, and nothing cut."""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from quote_documents import at, half_day, option, quote_document, stage, tied

from calib.report.dots import calendars, page_calendar, ready_dots, rows_of
from calib.report.quote_sheet import quote_sheet
from calib.report.terminal import wrapped
from calib.report.terminal_answer import show_answer
from calib.workflow.show import as_text


def dotted(process, machine, hours, **more):
    """An option whose 20 jobs are ready after those hours, the clock starting on Tue 1 Dec at 11:00."""
    given = [hour for hour, times in hours.items() for _ in range(times)]
    return option(process, machine, ready_dots=[at(hour) for hour in given], **more)


def three(**more):
    options = [
        dotted("VPP", "resin-2", {0.5: 2, 6: 14, 24.5: 4}, ride=None),
        dotted("MEX", "ext-2", {0.5: 9, 6: 3, 24.5: 5, 30: 3}),
        dotted("PBF", "bed-1", {6: 11, 24.5: 7, 100: 2}),
        option("MEX", "ext-3"),
    ]
    cheap = tied("MEX", "ext-2", 91.0)
    return quote_document(options=options, promise={"ties": [], "cheapest": cheap}, **more)


def shorter(lines):
    """Without what is never left out where a least time is not known."""
    kept = [line for line in lines if "no least time known for" not in line]
    assert len(kept) == len(lines) - 1
    return kept


def test_the_common_question_fits_on_a_screen_of_76_columns_and_14_lines(monkeypatch):
    monkeypatch.setenv("COLUMNS", "76")
    lines = wrapped(show_answer(three(due=None)), 76).splitlines()
    assert len(shorter(lines)) <= 14
    assert max(map(len, lines)) <= 76
    assert lines[0].startswith("12 × <b>clip</b>.stl      start Tue 1 Dec ")
    assert lines[1] == "Promise Thu 3 Dec 18:00   VPP resin-2, 100 GBP: 93 of 100 are ready by then"
    assert lines[2] == "Cheapest: Thu 3 Dec 18:00   MEX ext-2, 91 GBP"
    assert "each dot = 1 of 20 such jobs, ready in that half day" in lines
    assert lines[-2:] == [
        "1 slower, 1 note, 1 machine out: --all   cautions: --stages",
        "accept: calib accept Q00007",
    ]


def test_a_date_asked_for_fits_on_the_same_screen_and_names_the_cheapest_that_keeps_it(monkeypatch):
    monkeypatch.setenv("COLUMNS", "76")
    keep = [tied("MEX", "ext-2", 91.0), tied("VPP", "resin-2", 100.0)]
    lines = wrapped(show_answer(three(keep_due=keep)), 76).splitlines()
    assert len(shorter(lines)) <= 14
    assert "Wanted by Thu 3 Dec 12:00: MEX ext-2 (91) is the cheapest to keep it." in lines


def test_an_answer_without_a_terminal_has_no_line_wider_than_the_rest(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setattr("calib.report.terminal.terminal_columns", lambda without: without)
    text = as_text("quote", three(warnings=["The logs have changed. " * 6]))
    assert max(map(len, text.splitlines())) <= 76


@pytest.mark.parametrize(("as_of", "says"), [(None, 1), ("2026-11-21", 2)])
def test_that_nothing_was_learned_is_said_once(as_of, says):
    """By the warning where there is no fit; by a line where there is one, which knows nothing of this option."""
    unlearned = option("VPP", "vpp1", stages=[stage("printing", 300, 0, 0)])
    text = show_answer(quote_document(options=[unlearned], warnings=["Nothing was learned yet."], as_of=as_of))
    assert text.lower().count("learned") == says


def test_dots_stand_in_the_half_day_in_which_the_job_is_ready_and_are_20_in_all(monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    lines = show_answer(three(due=None)).splitlines()
    place = next(number for number, line in enumerate(lines) if line.startswith("each dot"))
    head, vpp, mex, pbf = lines[place + 1 : place + 5]
    assert head.split() == ["Tue", "am", "pm", "Wed", "am", "pm", "Sat", "pm", "9", "of", "10", "by", "GBP"]
    assert vpp.split()[2:-3] == ["..", "." * 14, "." * 4]
    assert [row.count(".") for row in (vpp, mex, pbf)] == [20, 20, 20]
    assert vpp.split()[-3:] == ["Thu", "18:00", "100"]


@pytest.mark.parametrize("columns", [76, 120, 200])
@pytest.mark.parametrize(
    "hours", [{1: 20}, {1: 10, 30: 10}, {50 * n: 1 for n in range(1, 21)}, {900 * n: 5 for n in range(1, 5)}]
)
def test_every_job_is_counted_once_in_whatever_calendar_there_is_room_for(monkeypatch, columns, hours):
    monkeypatch.setenv("COLUMNS", str(columns))
    doc = quote_document(options=[dotted("VPP", "v", hours), dotted("MEX", "m", {2: 20})])
    lines = show_answer(doc).splitlines()
    place = next(number for number, line in enumerate(lines) if line.startswith(("each dot", "of 20")))
    row = next(line for line in lines[place + 1 :] if line.startswith("VPP v"))
    dots = row.count(".") + 2 * (row.count(":") - row.count("18:00"))
    later = sum(int(word) for word in row[: row.index("Thu")].split() if word.isdecimal())
    assert dots + later == 20
    assert max(map(len, lines[place : place + 4])) <= columns


def test_midday_ends_the_morning():
    noon = option("VPP", "v", ready_dots=["2026-12-01T12:00+01:00"] * 19 + ["2026-12-01T12:01+01:00"])
    half_days = calendars([noon], at(0))[0]
    assert half_days.names == ("Tue am", "pm")
    assert half_days.counts == ((19, 1),)


def test_a_quote_from_before_dots_were_kept_gets_them_from_its_quantiles():
    hours = [[level, 10 * level] for level in (0.01, 0.5, 0.99)]  # a straight line
    dots = ready_dots({"lead_quantiles_h": hours}, at(0))
    assert len(dots) == 20
    assert dots[0] == datetime.fromisoformat(at(0.25))  # 10 h of the middle of the first twentieth
    assert abs((dots[-1] - datetime.fromisoformat(at(9.75))).total_seconds()) < 1


def test_what_must_be_read_first_and_warnings_stay_on_the_small_screen():
    doc = quote_document(
        notes=["The file states no unit; its numbers may be inch."], warnings=["Logs came since the last fit."]
    )
    lines = show_answer(doc).splitlines()
    assert lines[0].startswith("The file states no unit")
    assert "Note: Logs came since the last fit." in lines
    assert "1 of 4 stages not yet learned: wide." in lines
    assert any(line.startswith("Take care, VPP: uncured resin") for line in lines)
    assert "Wanted by Thu 3 Dec 12:00: VPP vpp1 (100) keeps it 83 of 100 times." in lines


def test_no_process_is_lost_among_many_options():
    options = [option("MEX", f"m{n}", (20 + n, 30 + n, 50 + n)) for n in range(12)]
    text = show_answer(quote_document(options=[*options, option("PBF", "p1", (90, 99, 120))]))
    assert "p1" in text
    assert "m11" not in text
    assert "10 slower" in text


def test_a_page_shows_the_same_dots_and_a_line_behind_the_promised_half_day():
    one = dotted("VPP", "v", {0.5: 17, 6: 2, 24.5: 1}, promised_at=half_day(6))  # Tue am, Tue pm, Wed am
    (row,) = page_calendar(rows_of([one], at(0)), at(0))["rows"]
    assert [(cell["number"], cell["promised"]) for cell in row["cells"]] == [(17, False), (2, True), (1, False)]
    page = quote_sheet(quote_document(options=[one]), "outward")
    cells = re.findall(r'<span aria-hidden="true">(●+)</span><span class="unseen">(\d+)</span>', page)
    assert [(len(dots), int(number)) for dots, number in cells] == [(17, 17), (2, 2), (1, 1)]
    assert '<td class="promised"><span aria-hidden="true">●●</span>' in page


@pytest.mark.parametrize("hours", [{50 * n: 1 for n in range(1, 21)}, {900 * n: 5 for n in range(1, 5)}])
def test_a_page_has_no_more_columns_than_a_phone_has_room_for(hours):
    calendar = page_calendar(rows_of([dotted("VPP", "v", hours)], at(0)), at(0))
    assert len(calendar["columns"]) <= 7
    assert sum(cell["number"] for cell in calendar["rows"][0]["cells"]) == 20
