"""What a new shop gets to write its logs with: CSV templates, a workbook with drop-downs, a printable bench card."""

from __future__ import annotations

import csv
from pathlib import Path

from calib.logs.bench_card import bench_card
from calib.logs.columns import KINDS, Column
from calib.records import PROCESSES, STAGES

TEMPLATES = "templates"
ROWS_WITH_LISTS = 2000


def write_templates(folder: Path, machines: tuple[str, ...] = (), stations: tuple[str, ...] = ()) -> list[Path]:
    """Write ``folder/templates``: one CSV for each kind of log, ``logs.xlsx`` and ``bench_card.html``.

    What is there already is left alone. Returns the files written.
    """
    target = folder / TEMPLATES
    target.mkdir(parents=True, exist_ok=True)
    written = []
    for kind, columns in KINDS.items():
        written += _write_new(target / f"{kind}.csv", _csv_bytes([column.name for column in columns]))
    if not (target / "logs.xlsx").exists():
        _write_workbook(target / "logs.xlsx", machines, stations)
        written.append(target / "logs.xlsx")
    return written + _write_new(target / "bench_card.html", bench_card(stations).encode())


def _write_new(path: Path, content: bytes) -> list[Path]:
    if path.exists():
        return []
    path.write_bytes(content)
    return [path]


def _csv_bytes(names: list[str]) -> bytes:
    import io

    out = io.StringIO()
    csv.writer(out).writerow(names)
    return out.getvalue().encode()


def _write_workbook(path: Path, machines: tuple[str, ...], stations: tuple[str, ...]) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for kind, columns in KINDS.items():
        sheet = book.create_sheet(kind)
        sheet.append([column.name for column in columns])
        sheet.freeze_panes = "A2"
        for place, column in enumerate(columns, 1):
            words = _choices(column, machines, stations)
            letter = sheet.cell(1, place).column_letter
            sheet.column_dimensions[letter].width = max(12, len(column.name) + 2)
            if column.kind == "stamp":
                for row in sheet[f"{letter}2:{letter}200"]:
                    row[0].number_format = "yyyy-mm-dd hh:mm"
            if words:
                _add_list(book, sheet, letter, column.name, words)
    if "lists" in book.sheetnames:
        book.move_sheet("lists", len(book.sheetnames))
    book.save(path)


def _choices(column: Column, machines: tuple[str, ...], stations: tuple[str, ...]) -> tuple[str, ...]:
    match column.kind, column.name:
        case "process", _:
            return tuple(PROCESSES)
        case "stage", _:
            return tuple(STAGES)
        case "word", _:
            return column.words
        case "flag", _:
            return ("true", "false")
        case _, "machine":
            return machines
        case _, "station":
            return machines + stations
    return ()


def _add_list(book, sheet, letter: str, name: str, words: tuple[str, ...]) -> None:  # type: ignore[no-untyped-def]
    """A drop-down over words of the sheet 'lists'; other words stay allowed, a note says so."""
    from openpyxl.worksheet.datavalidation import DataValidation

    lists = book["lists"] if "lists" in book.sheetnames else book.create_sheet("lists")
    headers = [cell.value for cell in lists[1]] if lists.max_row > 1 else []
    if name in headers:
        place = headers.index(name) + 1
    else:
        place = len(headers) + 1
        for row, word in enumerate((name, *words), 1):
            lists.cell(row, place, word)
    column = lists.cell(1, place).column_letter
    choice = DataValidation(
        type="list", formula1=f"lists!${column}$2:${column}${len(words) + 1}", allow_blank=True, showErrorMessage=False
    )
    sheet.add_data_validation(choice)
    choice.add(f"{letter}2:{letter}{ROWS_WITH_LISTS}")
