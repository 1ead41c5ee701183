"""What a new shop gets to write its logs with: CSV templates, a workbook with drop-downs, a printable bench card."""

from __future__ import annotations

import csv
import html
from pathlib import Path

from calib.logs.columns import KINDS, Column
from calib.records import PROCESSES, ROUTES, STAGES

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


def bench_card(stations: tuple[str, ...] = ()) -> str:
    """A page to print and hang at a bench: which stages there are, which cautions, a table to fill by pen."""
    rows = "".join("<tr>" + "<td></td>" * 7 + "</tr>" for _ in range(18))
    routes = "".join(f"<p><b>{code}</b> {html.escape(', '.join(ROUTES[code]))}</p>" for code in PROCESSES)
    cautions = dict.fromkeys(stage.caution for stage in STAGES.values() if stage.caution)
    lines = "".join(
        f"<li>{html.escape(', '.join(s.name for s in STAGES.values() if s.caution == one))}: {html.escape(one)}</li>"
        for one in cautions
    )
    at = html.escape(", ".join(stations))
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Bench card</title><style>
body {{ font: 10pt/1.3 sans-serif; margin: 12mm; color: #111; background: #fff }}
table {{ width: 100%; border-collapse: collapse }} th, td {{ border: 1px solid #444; height: 7mm; text-align: left }}
h1 {{ font-size: 14pt }} li, p {{ margin: 1mm 0 }} @page {{ size: A4; margin: 8mm }}
</style></head><body>
<h1>Bench card {at}</h1>
<p>One line for each piece of work. Start when hands or machine start; end when they end. If it had ended before you
looked, write <b>found</b> in the last column. Several builds in one load: join their numbers with +.</p>
<table><tr><th>build (or order)</th><th>stage</th><th>start, date and time</th><th>end</th><th>station</th><th>who</th>
<th>note, or found</th></tr>{rows}</table>
{routes}<ul>{lines}</ul></body></html>
"""
