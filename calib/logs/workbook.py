"""What a shop gets to write its logs with: CSV templates, a workbook with drop-downs, a guide, a printable bench card."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.logs.bench_card import bench_card
from calib.logs.columns import KINDS, Column
from calib.logs.how_to_fill import MEANING, fill_guide
from calib.records import PROCESSES, STAGES
from calib.results import is_listed, writing_listed

TEMPLATES, WORKBOOK = "templates", "logs.xlsx"
LISTS = "lists"  # sheet of the words that drop-downs offer
ROWS_WITH_LISTS = 2000
NEEDED_TOO = {"stages": ("build_id", "started_at", "ended_at")}  # as good as needed, though another column may say it


def write_templates(
    folder: Path,
    machines: tuple[str, ...] = (),
    stations: tuple[str, ...] = (),
    stages: tuple[str, ...] = (),
    cautions: Mapping[str, str] | None = None,
    processes: tuple[str, ...] = (),
) -> tuple[list[Path], list[Path]]:
    """Write ``folder/templates``: one CSV for each kind of log, ``logs.xlsx``, ``how_to_fill.md``, ``bench_card.html``.

    A file that somebody has filled or changed is left alone; any other is written anew, with the machines, stations and stages of
    today. Returns the files written, and those left alone. cautions : what the shop says of its stages; stages,
    processes : those of its machines, all that are known where there are none.
    """
    target = folder / TEMPLATES
    target.mkdir(parents=True, exist_ok=True)
    workbook = target / WORKBOOK
    texts = {f"{kind}.csv": _csv_bytes([column.name for column in columns]) for kind, columns in KINDS.items()}
    texts |= {
        "how_to_fill.md": fill_guide().encode(),
        "bench_card.html": bench_card(stations, cautions, machines, stages, processes).encode(),
    }
    filled = [target / name for name, content in texts.items() if _has_more(target / name, content)]
    written = [target / name for name in texts if target / name not in filled]
    for path in written:
        with writing_listed(path.resolve()) as beside:
            beside.write_bytes(texts[path.name])
    if _has_rows(workbook):
        return written, [*filled, workbook]
    with writing_listed(workbook.resolve()) as beside:
        _write_workbook(beside, _Lab(machines, stations, stages, processes))
    return [*written, workbook], filled


def is_unfilled(path: Path) -> bool:
    """Whether a log template is as it was written: nobody has put a row into it."""
    if path.name == WORKBOOK:
        return not _has_rows(path)
    kind = KINDS.get(path.stem, ()) if path.suffix == ".csv" else ()
    return bool(kind) and not _has_more(path, _csv_bytes([column.name for column in kind]))


def _has_more(path: Path, written: bytes) -> bool:
    """Whether it holds more, or something else, than calib writes or wrote there."""
    if not path.is_file():
        return path.exists()
    return not is_listed(path) and path.read_bytes().strip() not in (b"", written.strip())


def _has_rows(path: Path) -> bool:
    """Whether a workbook has anything below its headers; one that cannot be read is somebody's too."""
    from zipfile import BadZipFile

    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    if not path.is_file() or is_listed(path):
        return path.exists() and not path.is_file()
    try:
        book = load_workbook(path, read_only=True)
    except (BadZipFile, InvalidFileException, KeyError, ValueError):
        return True
    try:
        sheets = [sheet for sheet in book if sheet.title != LISTS]
        return any(cell is not None for sheet in sheets for row in sheet.iter_rows(2, values_only=True) for cell in row)
    finally:
        book.close()


def _csv_bytes(names: list[str]) -> bytes:
    import io

    out = io.StringIO()
    csv.writer(out).writerow(names)
    return out.getvalue().encode()


@dataclass(frozen=True)
class _Lab:
    """What a workbook's choices offer."""

    machines: tuple[str, ...]
    stations: tuple[str, ...]
    stages: tuple[str, ...]
    processes: tuple[str, ...]


def _write_workbook(path: Path, lab: _Lab) -> None:
    from openpyxl import Workbook
    from openpyxl.comments import Comment
    from openpyxl.styles import Font, PatternFill

    book = Workbook()
    book.remove(book.active)
    for kind, columns in KINDS.items():
        sheet = book.create_sheet(kind)
        sheet.append([column.name for column in columns])
        sheet.freeze_panes = "A2"
        for place, column in enumerate(columns, 1):
            words = _choices(column, lab)
            needed = column.needed or column.name in NEEDED_TOO.get(kind, ())
            sheet.cell(1, place).comment = Comment(f"{'Needed. ' if needed else ''}{MEANING[column.name]}", "calib")
            sheet.cell(1, place).font = Font(bold=needed)
            if needed:
                sheet.cell(1, place).fill = PatternFill("solid", fgColor="FFE8A0")
            letter = sheet.cell(1, place).column_letter
            sheet.column_dimensions[letter].width = max(12, len(column.name) + 2)
            if column.kind == "stamp":
                for row in sheet[f"{letter}2:{letter}200"]:
                    row[0].number_format = "yyyy-mm-dd hh:mm"
            if words:
                _add_list(book, sheet, letter, column.name, words)
    if LISTS in book.sheetnames:
        book.move_sheet(LISTS, len(book.sheetnames))
    book.save(path)


def _choices(column: Column, lab: _Lab) -> tuple[str, ...]:
    match column.kind, column.name:
        case "process", _:
            return lab.processes or tuple(PROCESSES)
        case "stage", _:
            return lab.stages or tuple(STAGES)
        case "word", _:
            return column.words
        case "flag", _:
            return ("true", "false")
        case _, "machine":
            return lab.machines
        case _, "station":
            return lab.machines + lab.stations
    return ()


def _add_list(book: Any, sheet: Any, letter: str, name: str, words: tuple[str, ...]) -> None:
    """A drop-down over words of the sheet 'lists'; other words stay allowed, a note says so."""
    from openpyxl.worksheet.datavalidation import DataValidation

    lists = book[LISTS] if LISTS in book.sheetnames else book.create_sheet(LISTS)
    headers = [cell.value for cell in lists[1]] if lists.max_row > 1 else []
    if name in headers:
        place = headers.index(name) + 1
    else:
        place = len(headers) + 1
        for row, word in enumerate((name, *words), 1):
            lists.cell(row, place, word)
    column = lists.cell(1, place).column_letter
    choice = DataValidation(
        type="list",
        formula1=f"{LISTS}!${column}$2:${column}${len(words) + 1}",
        allow_blank=True,
        showErrorMessage=False,
    )
    sheet.add_data_validation(choice)
    choice.add(f"{letter}2:{letter}{ROWS_WITH_LISTS}")
