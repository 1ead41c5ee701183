"""When will finished parts be there: one quantity (quote) or several (compare)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from calib.calendar.written_time import moment
from calib.documents.compare import CompareDocument
from calib.documents.quote import QuoteDocument
from calib.errors import UsageError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_part
from calib.quoting.compare import compare
from calib.quoting.document import quote
from calib.quoting.request import MOST_PARTS, OrderLine, QuoteRequest
from calib.records import FINISHES, process_code
from calib.results import COMPARISON, Result
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.quotes import find_fulfilment, forget_looks, save_quote
from calib.store.runs import find_yields
from calib.workflow.fitted import Fitted, find_fitted, has_store, learned_of
from calib.workflow.order import OrderedPart, read_order
from calib.workflow.pages import sheets_asked, write_comparison, write_sheets
from calib.workflow.parts import remember_parts, usual_sides_mm
from calib.workflow.pieces import piece_notes
from calib.workflow.queue import find_queue

Progress = Callable[[str], None]


def quote_part(
    folder: Path,
    part: Path,
    quantity: int,
    processes: list[str],
    due: str | None = None,
    finish: str | None = None,
    start: str | None = None,
    seed: int = 0,
    sure: float | None = None,
    unit: str | None = None,
    sheet: Path | None = None,
    inward: Path | None = None,
    needs: tuple[str, ...] = (),
    pose: str = "",
    progress: Progress = lambda text: None,
    overwrite: bool = False,
    keep: bool = False,
) -> QuoteDocument:
    """Options side by side, each with a range; stored where there is a store. The ``quote`` document (docs/interface.md).

    sure : chance of the promised date; the shop file's where None
    needs : what the part must stand or be, in the words of the shop's ``fit_for``
    pose : side down, by the file's axes, one of ``mesh.DOWN``; '' takes what costs least
    overwrite : whatever stands in the place of a sheet is replaced
    keep : listed and scored as a quote, also without a sheet
    """
    sheets = sheets_asked(sheet, inward, overwrite, (part,))
    line = OrderLine(quantity, finish=known_finish(finish), needs=needs)
    return quote_lines(
        folder, [OrderedPart(part, unit, line, pose)], processes, due, start, seed, sure, sheets, None, keep, progress
    )


def quote_order(
    folder: Path,
    order: Path,
    processes: list[str],
    due: str | None = None,
    start: str | None = None,
    seed: int = 0,
    sure: float | None = None,
    sheet: Path | None = None,
    inward: Path | None = None,
    progress: Progress = lambda text: None,
    overwrite: bool = False,
    keep: bool = False,
) -> QuoteDocument:
    """An order of several parts from a CSV or TOML file (see ``read_order``; ``is_order`` tells the file from a part).

    The ``quote`` document (docs/interface.md): ``part`` is the order file's name, ``quantity`` all parts together, every key of
    an option counts the whole order, and ``items`` lists the parts: part, quantity, finish, material (as asked).
    An option's process, machine and material are joined by '+' where parts go different ways. Kept as a quote is.
    """
    lines = read_order(order)
    sheets = sheets_asked(sheet, inward, overwrite, (order, *(ordered.part for ordered in lines)))
    return quote_lines(folder, lines, processes, due, start, seed, sure, sheets, order.name, keep, progress)


def quote_lines(
    folder: Path,
    lines: list[OrderedPart],
    processes: list[str],
    due: str | None = None,
    start: str | None = None,
    seed: int = 0,
    sure: float | None = None,
    sheets: Mapping[str, Result] = MappingProxyType({}),
    name: str | None = None,
    keep: bool = False,
    progress: Progress = lambda text: None,
) -> QuoteDocument:
    """Parts and how many of each -> the document, stored and written to the sheets asked for, by edition.

    keep : listed and scored as a quote; else it is a look, unless a sheet of it is written
    """
    shop = read_shop(folder)
    request = quote_request(
        shop, [ordered.line for ordered in lines], processes, due, start, sure=sure or shop.quoting["sure"]
    )
    fitted = find_fitted(folder)
    queue, learned = find_queue(folder, shop, fitted, pd.Timestamp(request.start)), learned_of(fitted, shop)
    meshes = read_meshes(folder, lines, shop, progress)
    progress("Trying every machine ...")
    document = quote(request, shop, meshes, learned, queue, seed, int(shop.quoting["draws"]))
    document |= {"part": name or document["part"], "shop": shop.name}
    if "inward" in sheets and len(lines) == 1:
        progress("Trying other quantities ...")
        document["comparison"] = compare(
            request, quantities_around(request.quantity), shop, meshes[0], learned, queue, seed
        )
    document["warnings"] = [*fitted.warnings, *early_start(request, fitted), *document.get("warnings", [])]
    document["as_of"] = fitted.as_of
    document["quote_id"] = _store(folder, document, meshes, shop, kept=keep or bool(sheets))
    write_sheets(sheets, document)
    progress("")
    return document


def quantities_around(quantity: int) -> list[int]:
    """One, and shares and multiples of a quantity, for the picture beside a quote.

    >>> quantities_around(60)
    [1, 3, 6, 12, 21, 30, 45, 60, 90, 120]
    """
    shares = (0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0)
    return sorted({1, *(min(max(1, round(quantity * share)), MOST_PARTS) for share in shares)})


def read_meshes(folder: Path, lines: list[OrderedPart], shop: Shop, progress: Progress) -> list[Mesh]:
    """The mesh of each line; a file that several lines name is read once, and not at all where a line has its mesh."""
    known = {(ordered.part, ordered.unit, ordered.pose): ordered.mesh for ordered in lines if ordered.mesh is not None}
    usual = usual_sides_mm(folder)
    for ordered in lines:
        if (ordered.part, ordered.unit, ordered.pose) not in known:
            progress(f"Reading {ordered.part.name} ...")
            known[ordered.part, ordered.unit, ordered.pose] = read_part(
                ordered.part, ordered.unit, _sides_mm(shop), ordered.pose, usual
            )
    return [known[ordered.part, ordered.unit, ordered.pose] for ordered in lines]


def _sides_mm(shop: Shop) -> list[float]:
    return [side for machine in shop.machines.values() for side in machine.build_mm]


def early_start(request: QuoteRequest, fitted: Fitted) -> list[str]:
    """A word about a start before what was learned."""
    day, last = request.start.date().isoformat(), str(fitted.as_of or "")[:10]
    return [f"The start, {day}, lies before the last log, {last}: is it meant?"] if day < last else []


def compare_part(
    folder: Path,
    part: Path,
    quantities: str,
    processes: list[str],
    finish: str | None = None,
    start: str | None = None,
    seed: int = 0,
    unit: str | None = None,
    pose: str = "",
    page: Path | None = None,
    progress: Progress = lambda text: None,
    overwrite: bool = False,
) -> CompareDocument:
    """Lead time over quantities, and where the soonest process changes. The ``compare`` document (docs/interface.md).

    pose : side down, by the file's axes, one of ``mesh.DOWN``; '' takes what costs least
    page : also written as one HTML page; whatever stands there is replaced where ``overwrite``
    """
    result = Result(page, COMPARISON, overwrite, (part,)) if page is not None else None
    if result:
        result.check()
    shop = read_shop(folder)
    wanted = read_quantities(quantities)
    request = quote_request(shop, [OrderLine(max(wanted), finish=known_finish(finish))], processes, None, start)
    fitted = find_fitted(folder)
    mesh = read_part(part, unit, _sides_mm(shop), pose, usual_sides_mm(folder))
    progress(f"Comparing {len(wanted)} quantities ...")
    document = compare(
        request,
        wanted,
        shop,
        mesh,
        learned_of(fitted, shop),
        find_queue(folder, shop, fitted, pd.Timestamp(request.start)),
        seed,
    )
    document["warnings"] = [*fitted.warnings, *early_start(request, fitted), *document.get("warnings", [])]
    document |= {"shop": shop.name, "start": request.start.isoformat(timespec="minutes")}
    if result:
        write_comparison(result, document)
    progress("")
    return document


def read_quantities(text: str) -> list[int]:
    """Quantities of '1,5,20' or '1:200' (at most a few dozen, evenly spread in ratio), ascending.

    >>> read_quantities("20,1,5")
    [1, 5, 20]
    >>> read_quantities("1:4")
    [1, 2, 3, 4]
    """
    wanted: set[int] = set()
    for piece in text.split(","):
        first, colon, last = piece.partition(":")
        try:
            low, high = int(first), int(last) if colon else int(first)
        except ValueError:
            raise UsageError(f'--qty "{piece}" is not a quantity.', "Write 1,5,20 or a span 1:200.") from None
        if high < low:
            raise UsageError(f'--qty "{piece}" runs backwards.', f"Write {high}:{low}.")
        if low < 1 or high > MOST_PARTS:
            raise UsageError(f'--qty "{piece}" is out of range.', f"Quantities run from 1 to {MOST_PARTS}.")
        wanted.update(_spread(low, high))
    return sorted(wanted)


def _spread(low: int, high: int, most: int = 24) -> list[int]:
    """Every quantity of a short span; of a long one some two dozen, each about the same factor apart."""
    if high - low < most:
        return list(range(low, high + 1))
    ratio = (high / low) ** (1 / (most - 1))
    return sorted({round(low * ratio**step) for step in range(most)})


def quote_request(
    shop: Shop, lines: list[OrderLine], processes: list[str], due: str | None, start: str | None, **further: Any
) -> QuoteRequest:
    zone = ZoneInfo(shop.timezone)
    return QuoteRequest(
        lines=tuple(lines),
        processes=tuple(_process_code(word) for word in processes),
        due=moment(due, zone, whole_day_ends=True) if due else None,
        start=moment(start, zone) if start else datetime.now(zone).replace(microsecond=0),
        level=shop.quoting["level"],
        **further,
    )


def known_finish(finish: str | None) -> str | None:
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


def _store(folder: Path, document: QuoteDocument, meshes: list[Mesh], shop: Shop, kept: bool) -> str | None:
    """Store the quote and its parts, with a word on how many pieces to start; None where there is no store.

    Older looks that have lapsed go.
    """
    if not has_store(folder):
        return None
    remember_parts(folder, document, meshes, shop)
    with open_store(folder) as store:
        document["notes"] = [*document.get("notes", []), *piece_notes(find_yields(store), document)]
        name = save_quote(store, document, kept)
        forget_looks(store, find_fulfilment(store))
        return name
