"""Workbooks as labs keep them, with one trap each: a proposal reads them right, or asks."""

from __future__ import annotations

import csv
import tomllib
from datetime import date, datetime, time, timedelta

import foreign_files
import pytest
from openpyxl import Workbook

from calib.errors import LogFileError
from calib.logs.propose import propose_mapping
from calib.logs.read_mapping import read_mapping
from calib.logs.read_table import read_tables

DAY = datetime(2026, 11, 2)
DAYS = [DAY + timedelta(days) for days in range(4)]
MINUTES = ("date", "work_min")
TIMES = ("started_at", "ended_at")


def book(folder, rows, formats=(), merged=(), others=()):
    made = Workbook()
    sheet = made.active
    sheet.title = "Log"
    for row in rows:
        sheet.append(row)
    for column, form in dict(formats).items():
        for cell in sheet[column][1:]:
            cell.number_format = form
    for cells in merged:
        sheet.merge_cells(cells)
    for name, more in dict(others).items():
        other = made.create_sheet(name, 0)
        for row in more:
            other.append(row)
    made.save(folder / "log.xlsx")
    return folder / "log.xlsx"


def proposed(path, **options):
    return propose_mapping(path, foreign_files.MACHINES, foreign_files.PLACES, **options)


def read(path, toml, columns):
    """These columns of all rows under a mapping."""
    path.with_suffix(".toml").write_text(toml, encoding="utf-8")
    tables = read_tables(path, [read_mapping(path.with_suffix(".toml"))], path.parent)
    with tables[0].csv.open(encoding="utf-8", newline="") as opened:
        return [tuple(row[name] for name in columns) for row in csv.DictReader(opened)]


def stamps(start, end, day=2):
    return f"2026-11-{day:02}T{start}", f"2026-11-{day:02}T{end}"


@pytest.mark.parametrize(
    ("heading", "cells", "form", "minutes"),
    [
        ("Dauer (h)", [0.25, 0.5], "[h]:mm", [360, 720]),
        ("Dauer", [0.25, 1.25], "[h]:mm", [360, 1800]),
        ("Duration", [0.25, 1.25], "h:mm", [360, 1800]),  # shown as 6:00, and holds a day more
        ("Duration", [0.25, 2.0], "h:mm", [360, 2880]),
        ("work_min", [0.25, 0.5], "h:mm", [360, 720]),
        ("work_min", [0.25, 1.25], "[h]:mm", [360, 1800]),
        ("Min", ["40", 41], "General", [40, 41]),
        ("Std.", ["1,5", "0,75"], "General", [90, 45]),
        ("Dauer", ["1,5 h", "2 h 10 min"], "General", [90, 130]),
        ("Time taken", ["about 2h", "1:30", "45m"], "General", [120, 90, 45]),
    ],
)
def test_a_duration_is_the_minutes_that_its_cell_shows(tmp_path, heading, cells, form, minutes):
    rows = [["Job", "Step", "Date", heading], *([f"J{row}", "wash", DAY, cell] for row, cell in enumerate(cells))]
    path = book(tmp_path, rows, {"D": form})
    proposal = proposed(path)
    assert proposal["unsure"] == []
    assert [float(row[0]) for row in read(path, proposal["toml"], ["work_min"])] == minutes


def test_minutes_and_seconds_are_asked_about_and_can_be_said(tmp_path):
    rows = [["Job", "Step", "Date", "Duration (min)"], *(["J1", "wash", day, "12:30"] for day in DAYS)]
    path = book(tmp_path, rows)
    proposal = proposed(path)
    assert proposal["unsure"] == ['work_min: its heading says min: is "12:30" 12 h 30 min, or 12 min 30 s ("min:s")?']
    said = proposal["toml"].replace('"h:mm"', '"min:s"')
    assert read(path, said, MINUTES)[0] == ("2026-11-02", "12.5")


def test_minutes_and_seconds_are_seen_where_end_less_start_says_so(tmp_path):
    rows = [["Job", "Step", "Start", "End", "Time"]]
    rows += [["J1", "wash", day + timedelta(hours=8), day + timedelta(hours=8, minutes=12), "12:00"] for day in DAYS]
    rows += [["J1", "wash", day + timedelta(hours=9), None, "12:30"] for day in DAYS]
    proposal = proposed(book(tmp_path, rows))
    assert tomllib.loads(proposal["toml"])["units"] == {"work_min": "min:s"}


@pytest.mark.parametrize(
    ("day", "start", "end", "expected"),
    [
        (DAY, "08.43", "10.12", stamps("08:43:00", "10:12:00")),
        (
            DAY + timedelta(hours=7),
            time(8, 43),
            time(9, 12),
            stamps("08:43:00", "09:12:00"),
        ),  # its format hides the 7 h
        (DAY, "8.43 Uhr", "10 Uhr", stamps("08:43:00", "10:00:00")),
        (DAY, "8:43 a.m.", "1:05 p.m.", stamps("08:43:00", "13:05:00")),
        (DAY, "22:10", "24:00", ("2026-11-02T22:10:00", "2026-11-03T00:00:00")),
        (DAY, "22:10", "00:40", ("2026-11-02T22:10:00", "2026-11-03T00:40:00")),
        (46328, "08:43", "09:12", stamps("08:43:00", "09:12:00")),  # a day whose cell is of no format
        ("2.11.26", "8:43", "9:12", stamps("08:43:00", "09:12:00")),
    ],
)
def test_a_time_of_day_takes_the_day_beside_it(tmp_path, day, start, end, expected):
    later = [["J2", "wash", day, start, end]] * 3
    path = book(tmp_path, [["Job", "Step", "Date", "From", "To"], ["J1", "wash", day, start, end], *later])
    proposal = proposed(path)
    assert [ask for ask in proposal["unsure"] if "can be read as" not in ask] == []
    assert read(path, proposal["toml"], TIMES)[0] == expected


def test_an_end_that_is_a_time_of_day_takes_the_day_of_its_start(tmp_path):
    starts = [DAY + timedelta(hours=hours) for hours in (8, 22, 9, 10)]
    rows = [["Job", "Step", "Start", "End"], *(["J1", "wash", start, "11:30"] for start in starts)]
    path = book(tmp_path, rows)
    proposal = proposed(path)
    assert proposal["unsure"] == []
    assert [row[1] for row in read(path, proposal["toml"], TIMES)][:2] == ["2026-11-02T11:30:00", "2026-11-03T11:30:00"]


def test_days_as_a_spreadsheet_counts_them_are_read_and_shown(tmp_path):
    rows = [["Job", "Step", "Start", "End"], *([f"J{row}", "wash", 46330.3 + row, 46330.4 + row] for row in range(4))]
    path = book(tmp_path, rows)
    proposal = proposed(path)
    assert read(path, proposal["toml"], TIMES)[0] == ("2026-11-04T07:12:00", "2026-11-04T09:36:00")
    assert '"46330.3" as spreadsheets count days is 2026-11-04 07:12:00' in proposal["toml"]


@pytest.mark.parametrize(
    ("heading", "cells", "ask"),
    [
        ("Start", [8.43, 8.5, 9.05, 10.15], 'such as "2026-11-03 8.5"; a spreadsheet cuts the last 0 of 8.40'),
        ("Start", ["early", "8 30", "9 10", "9 45"], '"Start" is headed as started_at, but is "8 30" a time?'),
        ("Dauer", [0.5, "45 min", 90, "1:30"], '"Dauer" is headed as work_min, but is "0.5" a duration?'),
        ("Dauer", ["45 min", "50 min", 90, "30 min"], 'work_min: "90" has no unit: minutes are taken'),
        ("Minutes", ["1.250", "980", "45", "60"], 'decimal: is "1.250" above a thousand, or is its point'),
    ],
)
def test_what_may_be_meant_otherwise_is_asked(tmp_path, heading, cells, ask):
    rows = [
        ["Job", "Step", "Date", heading],
        *(["J1", "wash", day, cell] for day, cell in zip(DAYS, cells, strict=True)),
    ]
    assert any(ask in question for question in proposed(book(tmp_path, rows))["unsure"])


def test_a_day_that_is_none_is_named_where_times_of_day_need_one(tmp_path):
    rows = [
        ["Auftrag", "Schritt", "Tag", "von", "bis"],
        *(["A1", "Waschen", f"Mo {day}.11.", "8:43", "9:12"] for day in (2, 9)),
    ]
    asks = proposed(book(tmp_path, rows))["unsure"]
    assert '"Tag" is headed as date, but is "Mo 2.11." a day? Make it 2026-11-20 there, or say its format below' in asks
    assert not any("no known format" in ask for ask in asks)


def test_what_is_merged_down_stands_in_each_row_but_a_duration_once(tmp_path):
    rows = [["Job", "Step", "Date", "Minutes"]]
    rows += [["J1", step, date(2026, 11, 2), 40] for step in ("wash", "dry", "cure")]
    rows += [["J2", step, date(2026, 11, 3), 30] for step in ("wash", "dry", "cure")]
    path = book(tmp_path, rows, merged=["A2:A4", "C2:C4", "D3:D4", "A5:A7"])
    found = read(path, proposed(path)["toml"], ["build_id", "date", "work_min"])
    assert found[:3] == [("J1", "2026-11-02", "40"), ("J1", "2026-11-02", "40"), ("J1", "2026-11-02", "")]
    assert [row[0] for row in found[3:]] == ["J2"] * 3


def test_a_heading_of_two_merged_rows_is_found(tmp_path):
    rows = [["Bench log"], ["Job", "Day", "Wash", None, "Cure", None], [None, None, "from", "to", "from", "to"]]
    rows += [[f"J{row}", DAY, time(8), time(8, 40), time(9), time(9, 30)] for row in range(4)]
    path = book(tmp_path, rows, merged=["A1:F1", "A2:A3", "B2:B3", "C2:D2", "E2:F2"])
    proposal = proposed(path)
    assert proposal["unsure"] == []
    assert read(path, proposal["toml"], ["build_id", *TIMES])[0] == ("J0", *stamps("08:00:00", "08:40:00"))


def test_a_column_without_a_heading_can_be_named_by_its_place(tmp_path):
    rows = [["Job", None, "Step", "Minutes"], *(["J1", day.date(), "wash", 40] for day in DAYS)]
    path = book(tmp_path, rows)
    proposal = proposed(path)
    assert tomllib.loads(proposal["toml"])["columns"]["date"] == "column 2"
    assert read(path, proposal["toml"], MINUTES)[0] == ("2026-11-02", "40")


def test_another_sheet_is_proposed_for_where_it_is_named(tmp_path):
    log = [["Job", "Step", "Date", "Minutes"], *([f"J{row}", "wash", DAY, 40] for row in range(3))]
    powder = [["Auftrag", "Schritt", "Datum", "Dauer"], *([f"P{row}", "Strahlen", DAY, "0:50"] for row in range(3))]
    path = book(tmp_path, log, others={"Pulver": powder, "Notes": [["Ask first"]]})
    assert tomllib.loads(proposed(path)["toml"])["sheet"] in ("Log", "Pulver")
    for sheet, stage, minutes in (("Log", "washing", "40"), ("Pulver", "blasting", "50")):
        proposal = proposed(path, sheet=sheet)
        assert tomllib.loads(proposal["toml"])["sheet"] == sheet
        assert read(path, proposal["toml"], ["stage", "work_min"]) == [(stage, minutes)] * 3
    with pytest.raises(LogFileError, match='for a sheet "Puder", and it has "Notes", "Pulver", "Log"'):
        proposed(path, sheet="Puder")
