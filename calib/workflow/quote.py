"""When will finished parts be there: one quantity (quote) or several (compare)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from calib.documents.compare import CompareDocument
from calib.documents.quote import QuoteDocument
from calib.errors import UsageError
from calib.geometry.mesh import Mesh
from calib.geometry.read_mesh import read_part
from calib.progress import Progress, no_progress
from calib.quoting.compare import compare
from calib.quoting.document import quote
from calib.quoting.flow import QueuedBuild
from calib.quoting.learned import Learned
from calib.quoting.request import MOST_PARTS, QuoteRequest
from calib.quoting.shape import ShapeFinder, shapes_of
from calib.results import COMPARISON, Result
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.parts import save_parts
from calib.store.quotes import find_fulfilment, forget_looks, save_quote
from calib.store.runs import find_yields
from calib.workflow.fitted import Fitted, find_fitted, has_store, learned_of
from calib.workflow.kept import only_a_look
from calib.workflow.order import ANYTHING, OrderedPart, QuoteAsk, read_order
from calib.workflow.pages import NO_SHEETS, Sheets, write_comparison, write_sheets
from calib.workflow.parts import parts_of_quote, usual_sides_mm
from calib.workflow.pieces import piece_notes
from calib.workflow.queue import find_queue


def quote_part(
    folder: Path,
    part: Path,
    quantity: int,
    ask: QuoteAsk = ANYTHING,
    sheets: Sheets = NO_SHEETS,
    keep: bool = False,
    progress: Progress = no_progress,
) -> QuoteDocument:
    """Options side by side, each with a range; stored where there is a store. The ``quote`` document (docs/interface.md).

    keep : listed and scored as a quote, also without a sheet
    """
    results = sheets.results((part,))
    return quote_lines(folder, [ask.part(part, quantity)], ask, results, None, keep, progress)


def quote_order(
    folder: Path,
    order: Path,
    ask: QuoteAsk = ANYTHING,
    sheets: Sheets = NO_SHEETS,
    keep: bool = False,
    progress: Progress = no_progress,
) -> QuoteDocument:
    """An order of several parts from a CSV or TOML file (see ``read_order``; ``is_order`` tells the file from a part).

    The ``quote`` document (docs/interface.md): ``part`` is the order file's name, ``quantity`` all parts together, every key of
    an option counts the whole order, and ``items`` lists the parts: part, quantity, finish, material (as asked).
    An option's process, machine and material are joined by '+' where parts go different ways. Kept as a quote is.
    """
    lines = read_order(order)
    results = sheets.results((order, *(ordered.part for ordered in lines)))
    return quote_lines(folder, lines, ask, results, order.name, keep, progress)


def quote_lines(
    folder: Path,
    lines: list[OrderedPart],
    ask: QuoteAsk,
    sheets: Mapping[str, Result] = MappingProxyType({}),
    name: str | None = None,
    keep: bool = False,
    progress: Progress = no_progress,
    stores: bool = True,
) -> QuoteDocument:
    """Parts and how many of each -> the document, stored and written to the sheets asked for, by edition.

    keep : listed and scored as a quote; else it is a look, unless a sheet of it is written
    stores : whether the lab's store keeps it; else nothing is written there, and its quote_id is null
    """
    asked = _read(folder, lines, ask, progress)
    request = ask.request(asked.shop, lines)
    progress("Trying every machine ...")
    document = _answer(request, asked, ask.seed)
    document["part"] = name or document["part"]
    if "inward" in sheets and len(lines) == 1:
        progress("Trying other quantities ...")
        document["comparison"] = compare(
            request,
            quantities_around(request.quantity),
            asked.shop,
            asked.meshes[0],
            asked.learned,
            asked.queue,
            ask.seed,
        )
    document["quote_id"] = _store(folder, document, asked, kept=keep or bool(sheets)) if stores else None
    write_sheets(sheets, document)
    progress("")
    return document


def quote_quantities(
    folder: Path, part: Path, quantities: Sequence[int], ask: QuoteAsk = ANYTHING, progress: Progress = no_progress
) -> list[QuoteDocument]:
    """``quote_part`` for several quantities of one part, stored; what they share is read and measured once."""
    asked = _read(folder, [ask.part(part, max(quantities))], ask, progress)
    documents = []
    for number, quantity in enumerate(quantities, 1):
        progress(f"Quoting {number} of {len(quantities)}: {quantity} {part.name} ...")
        document = _answer(ask.request(asked.shop, [ask.part(part, quantity)]), asked, ask.seed)
        document["quote_id"] = _store(folder, document, asked, kept=False)
        documents.append(document)
    progress("")
    return documents


@dataclass(frozen=True, eq=False)
class Asked:
    """What a quote rests on beside its quantities. shapes : of each mesh, measured as they are asked for"""

    shop: Shop
    fitted: Fitted
    learned: Learned
    queue: list[QueuedBuild]
    meshes: list[Mesh]
    shapes: dict[Mesh, ShapeFinder]


def _read(folder: Path, lines: list[OrderedPart], ask: QuoteAsk, progress: Progress) -> Asked:
    shop = read_shop(folder)
    start = ask.request(shop, lines).start
    fitted = find_fitted(folder)
    queue, learned = find_queue(folder, shop, fitted, pd.Timestamp(start)), learned_of(fitted, shop)
    meshes = read_meshes(folder, lines, shop, progress)
    return Asked(shop, fitted, learned, queue, meshes, {mesh: shapes_of(mesh) for mesh in meshes})


def _answer(request: QuoteRequest, asked: Asked, seed: int) -> QuoteDocument:
    document = quote(
        request,
        asked.shop,
        asked.meshes,
        asked.learned,
        asked.queue,
        seed,
        int(asked.shop.quoting["draws"]),
        asked.shapes,
    )
    document["shop"] = asked.shop.name
    document["warnings"] = [*asked.fitted.warnings, *early_start(request, asked.fitted), *document.get("warnings", [])]
    document["as_of"] = asked.fitted.as_of
    return document


def quantities_around(quantity: int) -> list[int]:
    """One, and shares and multiples of a quantity, for the picture beside a quote.

    >>> quantities_around(60)
    [1, 3, 6, 12, 21, 30, 45, 60, 90, 120]
    """
    shares = (0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0)
    return sorted({1, *(min(max(1, round(quantity * share)), MOST_PARTS) for share in shares)})


def read_meshes(folder: Path, lines: list[OrderedPart], shop: Shop, progress: Progress = no_progress) -> list[Mesh]:
    """The mesh of each line; a file that several lines name is read once, and not at all where a line has its mesh."""
    known = {(ordered.part, ordered.unit, ordered.pose): ordered.mesh for ordered in lines if ordered.mesh is not None}
    unread = {key: ordered for ordered in lines if (key := (ordered.part, ordered.unit, ordered.pose)) not in known}
    usual = usual_sides_mm(folder) if unread else []
    for key, ordered in unread.items():
        progress(f"Reading {ordered.part.name} ...")
        known[key] = read_part(ordered.part, ordered.unit, _sides_mm(shop), ordered.pose, usual)
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
    ask: QuoteAsk = ANYTHING,
    page: Path | None = None,
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> CompareDocument:
    """Lead time over quantities, and where the soonest process changes. The ``compare`` document (docs/interface.md).

    page : also written as one HTML page; whatever stands there is replaced where ``overwrite``
    """
    result = Result(page, COMPARISON, overwrite, (part,)) if page is not None else None
    if result:
        result.check()
    shop = read_shop(folder)
    wanted = read_quantities(quantities)
    ordered = ask.part(part, max(wanted))
    request = ask.request(shop, [ordered])
    fitted = find_fitted(folder)
    [mesh] = read_meshes(folder, [ordered], shop)
    progress(f"Comparing {len(wanted)} quantities ...")
    queue = find_queue(folder, shop, fitted, pd.Timestamp(request.start))
    document = compare(request, wanted, shop, mesh, learned_of(fitted, shop), queue, ask.seed)
    document["warnings"] = [*fitted.warnings, *early_start(request, fitted), *document.get("warnings", [])]
    document |= {"shop": shop.name, "start": request.start.isoformat(timespec="minutes")}
    if result:
        write_comparison(result, document)
        document["page"] = str(page)
    progress("")
    return document


def read_quantities(text: str) -> list[int]:
    """Quantities of '1,5,20' or '1:200' (at most a few dozen, evenly spread in ratio), ascending.

    Raises UsageError for what is no quantity, or out of range.

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


def _store(folder: Path, document: QuoteDocument, asked: Asked, kept: bool) -> str | None:
    """Store the quote and its parts, with a word on how many pieces to start; None where there is no store.

    Older looks that have lapsed go.
    """
    if not has_store(folder):
        return None
    parts = parts_of_quote(document, asked.shapes, asked.shop)
    with only_a_look(folder, [part.name for part in parts]), open_store(folder) as store:
        save_parts(store, parts)
        document["notes"] = [*document.get("notes", []), *piece_notes(find_yields(store), document)]
        name = save_quote(store, document, kept)
        forget_looks(store, find_fulfilment(store))
        return name
