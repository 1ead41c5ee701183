"""Invented logs of invented labs, each of another shape, with the runs that they hold: what a proposed mapping must bring in."""

from __future__ import annotations

import gzip
import json
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

import duckdb
from written_tables import as_text, as_xlsx, ods

MACHINES = {"resin-1": "VPP", "bed-1": "PBF", "ext-1": "MEX"}
PLACES = ("wash", "bench-2")


@dataclass(frozen=True)
class Foreign:
    """runs : (build or order, stage, minutes) of each run, sorted; start : of the earliest, local; questions : how many"""

    path: Path
    runs: list[tuple[str, str, float]]
    start: str = ""
    questions: int = 0


def german_semicolons(folder: Path) -> Foreign:
    """Title, notes, semicolons, decimal commas, a Western code page, day and times in three columns, work past midnight."""
    rows = [
        ["Datum", "Von", "Bis", "Bauauftrag", "Arbeitsschritt", "Anzahl", "Pause (Std.)", "Bearbeiter", "Bemerkung"],
        ["05.01.2026", "08:00", "09:30", "K-101", "Waschen", "4", "0,25", "Ada", "lief gut, aber zäh"],
        ["20.01.2026", "22:30", "01:00", "K-101", "Nachhärten", "4", "", "Ben", ""],
        ["21.01.2026", "09:00", "09:45", "K-102", "Stützen entfernen", "2", "", "Ada", "größere Teile"],
        ["21.01.2026", "10:00", "10:20", "K-102", "Waschen", "2", "0,1", "Ada", ""],
    ]
    text = "Werkstattbuch Januar\n\nBitte täglich ausfüllen, danke\n\n" + as_text(rows, ";")
    path = folder / "werkstatt.csv"
    path.write_text(text, encoding="cp1252")
    runs = [
        ("K-101", "post_curing", 150),
        ("K-101", "washing", 75),
        ("K-102", "support_removal", 45),
        ("K-102", "washing", 14),
    ]
    return Foreign(path, runs, "2026-01-05 08:00")


def xlsx_with_title(folder: Path) -> Foreign:
    """A workbook: title, notes, header in row 5, real dates and times, a duration as hours and minutes."""
    rows = [
        ["Bench log, week 2"], [], ["Times to the nearest 5 minutes"], [],
        ["Work date", "Job no.", "Operation", "Time spent", "Done by", "Good parts"],
        [date(2026, 1, 5), "K-101", "Bead blast", time(1, 35), "Ada", 4],
        [date(2026, 1, 6), "K-102", "QC", time(0, 20), "Ben", 3],
        [date(2026, 1, 7), "K-102", "Sanding", time(2, 5), "Ada", 3],
    ]  # fmt: skip
    runs = [("K-101", "blasting", 95), ("K-102", "inspection", 20), ("K-102", "sanding", 125)]
    return Foreign(as_xlsx(folder / "bench.xlsx", rows, "Week 2"), runs)


def french_ods(folder: Path) -> Foreign:
    """An OpenDocument sheet below a title: French words, durations with their units."""
    rows = [
        ["Journal d'atelier"],
        ["Date", "Travail", "Étape", "Durée", "Opérateur"],
        [date(2026, 1, 5), "K-101", "Lavage", "1 h 35", "Ada"],
        [date(2026, 1, 6), "K-102", "Ponçage", "45 min", "Ben"],
        [date(2026, 1, 6), "K-102", "Emballage", "20 minutes", "Ben"],
    ]
    path = ods(folder / "journal.ods", {"Janvier": rows})
    return Foreign(path, [("K-101", "washing", 95), ("K-102", "packing", 20), ("K-102", "sanding", 45)])


def event_rows_gzip(folder: Path) -> Foreign:
    """Scans at a bench: one row for each start and stop, with pauses, months first, twelve hours."""
    rows = [
        ["Scan time", "Job", "Task", "Event"],
        ["1/13/2026 8:00 AM", "K-101", "wash", "START"],
        ["1/13/2026 8:30 AM", "K-101", "wash", "PAUSE"],
        ["1/13/2026 8:40 AM", "K-101", "wash", "START"],
        ["1/13/2026 9:00 AM", "K-101", "wash", "STOP"],
        ["1/13/2026 11:45 AM", "K-102", "cure", "START"],
        ["1/13/2026 1:15 PM", "K-102", "cure", "STOP"],
    ]
    path = folder / "scans.csv.gz"
    path.write_bytes(gzip.compress(as_text(rows).encode()))
    return Foreign(path, [("K-101", "washing", 50), ("K-102", "post_curing", 90)], "2026-01-13 08:00")


def json_lines_by_content(folder: Path) -> Foreign:
    """A machine's export with headings that say nothing: told from what stands in the cells."""
    rows = [
        {
            "k1": "K-101",
            "k2": "resin-1",
            "t0": "2026-01-05 08:00:00",
            "t1": "2026-01-05 12:30:00",
            "x": "print",
            "r": "ok",
        },
        {
            "k1": "K-102",
            "k2": "bed-1",
            "t0": "2026-01-06 08:00:00",
            "t1": "2026-01-06 20:00:00",
            "x": "print",
            "r": "ok",
        },
        {
            "k1": "K-102",
            "k2": "bed-1",
            "t0": "2026-01-06 20:00:00",
            "t1": "2026-01-07 06:00:00",
            "x": "cooling",
            "r": "ok",
        },
    ]
    path = folder / "export.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    runs = [("K-101", "printing", 270), ("K-102", "cool_down", 600), ("K-102", "printing", 720)]
    return Foreign(path, runs, "2026-01-05 08:00", questions=1)


def parquet_in_hours(folder: Path) -> Foreign:
    """Typed columns; the hours are not said to be hours, but agree with start and, where there is one, end."""
    path = folder / "machines.parquet"
    duckdb.sql(
        "SELECT * FROM (VALUES ('K-101', 'printing', TIMESTAMP '2026-01-05 08:00', TIMESTAMP '2026-01-05 12:30', 4.5),"
        "('K-102', 'printing', TIMESTAMP '2026-01-06 08:00', TIMESTAMP '2026-01-06 20:00', 12.0),"
        "('K-103', 'printing', TIMESTAMP '2026-01-07 08:00', NULL, 2.25)) t(job_name, phase, begun, finished, elapsed)"
    ).write_parquet(str(path))
    runs = [("K-101", "printing", 270), ("K-102", "printing", 720), ("K-103", "printing", 135)]
    return Foreign(path, runs, "2026-01-05 08:00")


def wide_pairs(folder: Path) -> Foreign:
    """A row for each build below a line of groups: day, and start and end of each stage as times of day."""
    rows = [
        ["", "", "", "Washing", "", "Curing", "", "Sanding", ""],
        ["Job", "Day", "Printer", "from", "to", "from", "to", "from", "to"],
        [
            "K-101",
            date(2026, 1, 5),
            "resin-1",
            time(8, 0),
            time(8, 20),
            time(9, 0),
            time(10, 0),
            time(22, 0),
            time(0, 30),
        ],
        ["K-102", date(2026, 1, 6), "resin-1", time(8, 0), time(8, 25), None, None, time(9, 0), time(9, 45)],
    ]
    runs = [("K-101", "post_curing", 60), ("K-101", "sanding", 150), ("K-101", "washing", 20), ("K-102", "sanding", 45),
            ("K-102", "washing", 25)]  # fmt: skip
    return Foreign(as_xlsx(folder / "builds.xlsx", rows), runs, "2026-01-05 08:00")


def wide_durations(folder: Path) -> Foreign:
    """A row for each build, a column of hours for each stage, in Spanish."""
    rows = [
        ["Trabajo", "Fecha", "Lavado (h)", "Curado (h)", "Lijado (h)", "Notas"],
        ["K-101", "13/01/2026", "0,5", "1", "1,25", ""],
        ["K-102", "14/01/2026", "0,25", "", "0,75", "bien"],
    ]
    path = folder / "control.csv"
    path.write_text(as_text(rows, ";"), encoding="utf-8-sig")
    runs = [("K-101", "post_curing", 60), ("K-101", "sanding", 75), ("K-101", "washing", 30), ("K-102", "sanding", 45),
            ("K-102", "washing", 15)]  # fmt: skip
    return Foreign(path, runs)


def headings_of_compounds(folder: Path) -> Foreign:
    """A row for each build; headings that are one word of stage and role; stamps."""
    rows = [
        ["Druck-Nr", "Druckbeginn", "Druckende", "Waschdauer", "Schleifdauer"],
        ["K-101", "05.01.2026 08:00", "05.01.2026 12:30", "20 min", "1 h 15"],
        ["K-102", "14.01.2026 08:00", "14.01.2026 09:00", "15 min", ""],
    ]
    path = folder / "drucke.txt"
    path.write_text(as_text(rows, "\t"), encoding="utf-16")
    runs = [("K-101", "printing", 270), ("K-101", "sanding", 75), ("K-101", "washing", 20), ("K-102", "printing", 60),
            ("K-102", "washing", 15)]  # fmt: skip
    return Foreign(path, runs, "2026-01-05 08:00")


def no_header(folder: Path) -> Foreign:
    """Rows alone, without a line of names."""
    rows = [
        ["K-101", "washing", "2026-01-05 08:00", "2026-01-05 08:20"],
        ["K-102", "sanding", "2026-01-05 09:00", "2026-01-05 09:45"],
        ["K-103", "washing", "2026-01-06 08:00", "2026-01-06 08:25"],
    ]
    path = folder / "rows.csv"
    path.write_text(as_text(rows), encoding="utf-8")
    runs = [("K-101", "washing", 20), ("K-102", "sanding", 45), ("K-103", "washing", 25)]
    return Foreign(path, runs, "2026-01-05 08:00", questions=1)


def two_dates_two_times(folder: Path) -> Foreign:
    """A workbook with a column for each of start date, start time, end date and end time."""
    rows = [
        ["Order", "Start date", "Start time", "End date", "End time", "Activity"],
        ["A-7", datetime(2026, 1, 5), time(22, 0), datetime(2026, 1, 6), time(1, 0), "inspection"],
        ["A-8", datetime(2026, 1, 6), time(9, 0), datetime(2026, 1, 6), time(9, 30), "packing"],
    ]
    return Foreign(
        as_xlsx(folder / "orders.xlsx", rows), [("A-7", "inspection", 180), ("A-8", "packing", 30)], "2026-01-05 22:00"
    )


ALL = (
    german_semicolons, xlsx_with_title, french_ods, event_rows_gzip, json_lines_by_content, parquet_in_hours, wide_pairs,
    wide_durations, headings_of_compounds, no_header, two_dates_two_times,
)  # fmt: skip
