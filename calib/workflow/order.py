"""What is asked of a quote, and an order of several parts from a small CSV or TOML file."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from calib.calendar.written_time import moment
from calib.errors import UsageError
from calib.geometry.mesh import Mesh
from calib.plain_file import check_plain
from calib.quoting.request import OrderLine, QuoteRequest
from calib.records import DIFFICULTIES, FINISHES, process_code
from calib.shop.model import Shop
from calib.shop.read_shop import read_text
from calib.spelling import close_to
from calib.toml_lines import line_of, parse_toml

ORDER_FILES = (".csv", ".toml")
NEEDED, OPTIONAL = ("part_file", "qty"), ("finish", "difficulty", "material", "needs", "unit", "pose")
MOST_LINES = 200


@dataclass(frozen=True)
class OrderedPart:
    """One row: the mesh file, its unit where it carries none, what is wanted of it, and its side down if fixed.

    mesh : of a part that was read already, whose file may be gone
    """

    part: Path
    unit: str | None
    line: OrderLine
    pose: str = ""
    mesh: Mesh | None = None


@dataclass(frozen=True)
class QuoteAsk:
    """What is asked of one quote beside the parts, as a person typed it; made once, in ``cli`` or ``serve``.

    processes : words for processes; empty: all that the shop has
    due, start : dates or times; without ``due`` no chance of a date is given, without ``start`` it is now
    sure : chance that the promised date should have; None: the shop file's
    finish, needs, unit, pose : of a part; an order file says them of each part itself
    needs : what the part must stand or be, in the words of the shop's ``fit_for``
    pose : side down, by the file's axes, one of ``mesh.DOWN``; '' takes what costs least
    """

    processes: tuple[str, ...] = ()
    due: str | None = None
    start: str | None = None
    seed: int = 0
    sure: float | None = None
    finish: str | None = None
    needs: tuple[str, ...] = ()
    unit: str | None = None
    pose: str = ""

    def part(self, path: Path, quantity: int) -> OrderedPart:
        """So many of one part. Raises UsageError for a finish that is not known."""
        line = OrderLine(quantity, finish=known_finish(self.finish), needs=self.needs)
        return OrderedPart(path, self.unit, line, self.pose)

    def request(self, shop: Shop, parts: Sequence[OrderedPart]) -> QuoteRequest:
        """The same in the shop's own terms. Raises UsageError for a word or a time that cannot be read."""
        zone = ZoneInfo(shop.timezone)
        return QuoteRequest(
            lines=tuple(ordered.line for ordered in parts),
            processes=tuple(_process_code(word) for word in self.processes),
            due=moment(self.due, zone, whole_day_ends=True) if self.due else None,
            start=moment(self.start, zone) if self.start else datetime.now(zone).replace(microsecond=0),
            level=shop.quoting["level"],
            sure=self.sure or shop.quoting["sure"],
        )


ANYTHING = QuoteAsk()


def known_finish(finish: str | None) -> str | None:
    """The finish itself. Raises UsageError where it is none of FINISHES."""
    if finish is not None and finish not in FINISHES:
        raise UsageError(f'"{finish}" is not a finish.', f"Known: {', '.join(FINISHES)}.")
    return finish


def _process_code(word: str) -> str:
    code = process_code(word)
    if code is None:
        raise UsageError(
            f'"{word}" is not a process.', "Known: MEX (material extrusion), VPP (resin), PBF (powder bed)."
        )
    return code


def is_order(path: Path) -> bool:
    """Whether a file is a list of parts rather than a part."""
    return path.suffix.lower() in ORDER_FILES


def read_order(path: Path) -> list[OrderedPart]:
    """Rows of an order file, in its order; paths of parts are relative to it.

    CSV: columns part_file and qty, and any of finish, difficulty, material and needs (several joined by '+'), unit,
    pose (the side down: z- is as it lies).
    TOML: [[part]] tables with the same keys; material and needs may be lists.
    Raises UsageError that names file, line and column of the first thing that is wrong.
    """
    check_plain(path, UsageError)
    if not path.exists():
        raise UsageError(f"There is no order file {path}.", f"It has the columns {_all_names()}.")
    rows = _toml_rows(path) if path.suffix.lower() == ".toml" else _csv_rows(path)
    if not rows:
        raise UsageError(f"{path.name} names no part.", f"One row for each: {', '.join(NEEDED)}.")
    if len(rows) > MOST_LINES:
        raise UsageError(f"{path.name} has {len(rows)} rows: at most {MOST_LINES} parts make an order.", "Split it.")
    return [_order_line(path, where, row) for where, row in rows]


def _csv_rows(path: Path) -> list[tuple[str, dict[str, Any]]]:
    text = read_text(path)
    first = next(iter(text.splitlines()), "")
    rows = csv.reader(text.splitlines(), delimiter=max(",;\t", key=first.count))
    names = [name.strip() for name in next(rows, [])]
    _check_names(path, names, f"{path.name} line 1")
    return [
        (f"{path.name} line {rows.line_num}", dict(zip(names, (cell.strip() for cell in row), strict=False)))
        for row in rows
        if any(cell.strip() for cell in row)
    ]


def _toml_rows(path: Path) -> list[tuple[str, dict[str, Any]]]:
    data, lines = parse_toml(read_text(path), path.name)
    tables = data.get("part")
    if set(data) != {"part"} or not isinstance(tables, list) or not all(isinstance(row, dict) for row in tables):
        raise UsageError(f"{path.name} is no order: it holds only [[part]] tables.", '[[part]] part_file = "a.stl"')
    rows = []
    for number, table in enumerate(tables):
        where = f"{path.name} line {line_of(lines, ('part', number)) or number + 1}"
        _check_names(path, table, where)
        rows.append((where, table))
    return rows


def _check_names(path: Path, names: Iterable[str], where: str) -> None:
    names = list(names)
    for name in names:
        if name not in (*NEEDED, *OPTIONAL):
            near = close_to(name, (*NEEDED, *OPTIONAL))
            meant = f'Did you mean "{near[0]}"? ' if near else ""
            raise UsageError(f'{where}: "{name}" is no column of an order.', f"{meant}Known: {_all_names()}.")
    for name in NEEDED:
        if name not in names:
            raise UsageError(
                f'{where}: "{name}" is missing.', f"An order has {_all_names()}; the first two are needed."
            )


def _all_names() -> str:
    return ", ".join((*NEEDED, *OPTIONAL))


def _order_line(path: Path, where: str, row: Mapping[str, Any]) -> OrderedPart:
    name = row.get("part_file")
    if not isinstance(name, str) or not name:
        raise UsageError(f"{where}, column part_file: is empty, and is needed.")
    line = OrderLine(
        quantity=_quantity(where, row.get("qty")),
        finish=_word(where, row, "finish", FINISHES),
        difficulty=_word(where, row, "difficulty", DIFFICULTIES) or "normal",
        needs=_several(row.get("needs")),
        materials=_several(row.get("material")),
    )
    return OrderedPart(
        path.parent / name, str(row["unit"]) if row.get("unit") else None, line, str(row.get("pose") or "")
    )


def _quantity(where: str, value: Any) -> int:
    try:
        number = int(str(value))
    except ValueError:
        raise UsageError(f'{where}, column qty: "{str(value)[:40]}" is not a whole number.') from None
    if number < 1:
        raise UsageError(f'{where}, column qty: "{value}": 1 part or more expected.')
    return number


def _word(where: str, row: Mapping[str, Any], name: str, allowed: tuple[str, ...]) -> str | None:
    value = row.get(name) or None
    if value is not None and value not in allowed:
        raise UsageError(f'{where}, column {name}: "{value}" is not known.', f"Known: {', '.join(allowed)}.")
    return value


def _several(value: Any) -> tuple[str, ...]:
    listed = value if isinstance(value, list) else str(value or "").split("+")
    return tuple(str(word).strip() for word in listed if str(word).strip())
