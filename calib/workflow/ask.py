"""What the page asks beside a quote: a part shown before it is asked for, dates by how sure, a calendar, and trials."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from calib.calendar.clock import OpenClock, to_minutes
from calib.documents.promises import AcceptDocument, DateByChance, StoredQuote
from calib.documents.quote import QuoteDocument, QuoteOption
from calib.errors import MeshError, UsageError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_part
from calib.in_child import in_child
from calib.quoting.half_days import half_day_end, half_day_name
from calib.quoting.ranges import iso
from calib.quoting.request import OrderLine
from calib.quoting.shape import shapes_of
from calib.results import SHOP_FILES
from calib.scratch import scratch_folder
from calib.shop.model import Shop
from calib.shop.read_shop import FILE, read_shop, read_text
from calib.store.open_store import open_store
from calib.store.quotes import find_quote
from calib.toml_lines import parse_toml
from calib.workflow.accept import accept
from calib.workflow.order import OrderedPart, known_finish
from calib.workflow.parts import FOLDER, usual_sides_mm

CHANCES = (0.5, 0.8, 0.9, 0.95)


@dataclass(frozen=True, eq=False)
class ReadPart:
    """views : as the quote's ``drawing``; size_mm : along x, y and z, as it lies in its file [mm]"""

    mesh: Mesh
    views: dict[str, Any]

    @property
    def size_mm(self) -> list[float]:
        return [float(side) for side in self.mesh.size_mm]


def read_for_ask(folder: Path, path: Path, unit: str | None = None) -> ReadPart:
    """A part as a quote reads it, read in a process of its own with limits of memory and time.

    Raises MeshError in one sentence where it cannot be read, or its unit must be stated.
    """
    sides = [side for machine in read_shop(folder).machines.values() for side in machine.build_mm]
    mesh: Mesh = in_child(
        read_part,
        path,
        unit,
        sides,
        "",
        usual_sides_mm(folder),
        size=path.stat().st_size,
        name=path.name,
        kind=MeshError,
    )
    return ReadPart(mesh, shapes_of(mesh).views)


def order_line(part: ReadPart, quantity: int, finish: str | None) -> OrderedPart:
    """So many of a part that was read already."""
    line = OrderLine(quantity, finish=known_finish(finish))
    return OrderedPart(Path(part.mesh.name), part.mesh.unit, line, mesh=part.mesh)


def parts_in_shop(folder: Path) -> dict[str, Path]:
    """Parts that lie in the shop's own folder, by name."""
    paths = sorted(path for path in (folder / FOLDER).glob("*") if path.is_file() and not path.name.startswith("."))
    return {path.name: path for path in paths}


def find_given(folder: Path, quote_id: str) -> StoredQuote:
    """A quote as it was given, and what was promised where it was accepted."""
    with open_store(folder, read_only=True) as store:
        return find_quote(store, quote_id)


def clock_of(shop: Shop) -> OpenClock:
    return OpenClock(shop.hours, shop.closures, shop.timezone)


def ready_by(option: QuoteOption, start: str, chances: Sequence[float]) -> np.ndarray:
    """Wall times by which that share of the option's draws was ready, by the quantiles that the quote kept, shape (n,)."""
    known, hours = np.array(option["lead_quantiles_h"], float).T
    begin = to_minutes(datetime.fromisoformat(start))
    return np.asarray(begin + 60 * np.interp(chances, known, hours))


def dates_by_chance(document: QuoteDocument, option: QuoteOption, shop: Shop) -> list[DateByChance]:
    """For each of CHANCES the half day to promise.

    At the chance that the quote was asked for it is the quote's own promise.
    """
    clock = clock_of(shop)
    walls = [half_day_end(wall, clock) for wall in ready_by(option, document["start"], CHANCES)]
    dates: list[DateByChance] = [
        {"sure": sure, "promised_at": iso(wall, shop.timezone), "half_day": half_day_name(wall, clock)}
        for sure, wall in zip(CHANCES, walls, strict=True)
    ]
    own: DateByChance = {
        "sure": document["sure"],
        "promised_at": option["promised_at"],
        "half_day": option["half_day"],
    }
    return [own if date["sure"] == own["sure"] else date for date in dates]


def try_accept(folder: Path, quote_id: str, choice: str, promise: str | None, hurried: bool) -> AcceptDocument:
    """What accepting would do, by doing it in a copy of the shop: the document of ``accept``; nothing is changed here."""
    with scratch_folder() as copy:
        for name in SHOP_FILES:
            shutil.copyfile(folder / name, copy / name)
        return accept(copy, quote_id, choice, promise, hurried=hurried)


def one_more(folder: Path, machine: str) -> str:
    """A patch that adds a machine like one that the shop has; it is not owned.

    Raises UsageError where it is no machine of the shop file.
    """
    data, _ = parse_toml(read_text(folder / FILE))
    same = next((row for row in data.get("machine", []) if row.get("id") == machine), None)
    if same is None:
        raise UsageError(f'"{machine}" is no single machine of the shop file.', "Ask for another option.")
    keys = {**same, "id": f"{machine}-more", "owned": False}
    return "[[machine]]\n" + "".join(f"{name} = {_toml(value)}\n" for name, value in keys.items())


SATURDAY = '[hours]\nsat = "08:00-13:00"\n'


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name} = {_toml(entry)}" for name, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return value.isoformat() if isinstance(value, date | datetime) else json.dumps(value)
