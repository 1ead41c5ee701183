"""When will finished parts be there: one quantity (quote) or several (compare)."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from calib.errors import UsageError
from calib.geometry.read_mesh import read_mesh
from calib.quoting.compare import compare
from calib.quoting.document import quote
from calib.quoting.request import QuoteRequest
from calib.records import FINISHES, PROCESS_WORDS
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.quotes import save_quote
from calib.workflow.fitted import find_fitted, has_store
from calib.workflow.pages import write_sheet
from calib.workflow.queue import find_queue
from calib.workflow.times import moment

Progress = Callable[[str], None]
MOST_QUANTITIES = 1000


def quote_part(
    folder: Path,
    part: Path,
    quantity: int,
    processes: list[str],
    due: str | None = None,
    finish: str | None = None,
    start: str | None = None,
    seed: int = 0,
    sure: float = 0.9,
    unit: str | None = None,
    sheet: Path | None = None,
    inward: Path | None = None,
    progress: Progress = lambda text: None,
) -> dict[str, Any]:
    """Options side by side, each with a range; kept in the store where there is one. The contract's ``quote``."""
    shop = read_shop(folder)
    request = _request(shop, quantity, processes, due, finish, start, sure=sure)
    fitted = find_fitted(folder)
    progress(f"Reading {part.name} ...")
    mesh = read_mesh(part, unit=unit)
    progress("Trying every machine ...")
    document = quote(
        request,
        shop,
        mesh,
        fitted.model,
        queue=find_queue(folder, shop, fitted, pd.Timestamp(request.start)),
        waits=fitted.waits,
        failures=fitted.failures,
        route=fitted.route,
        seed=seed,
    )
    document["warnings"] = [*fitted.warnings, *document.get("warnings", [])]
    document["as_of"] = fitted.as_of
    document["quote_id"] = _keep(folder, document)
    for out, edition in ((sheet, "outward"), (inward, "inward")):
        if out is not None:
            write_sheet(out, document, edition)
    progress("")
    return document


def compare_part(
    folder: Path,
    part: Path,
    quantities: str,
    processes: list[str],
    finish: str | None = None,
    start: str | None = None,
    seed: int = 0,
    unit: str | None = None,
    progress: Progress = lambda text: None,
) -> dict[str, Any]:
    """Lead time over quantities, and where the soonest process changes. The contract's ``compare``."""
    shop = read_shop(folder)
    wanted = read_quantities(quantities)
    request = _request(shop, max(wanted), processes, None, finish, start)
    fitted = find_fitted(folder)
    mesh = read_mesh(part, unit=unit)
    progress(f"Comparing {len(wanted)} quantities ...")
    document = compare(
        request,
        wanted,
        shop,
        mesh,
        fitted.model,
        queue=find_queue(folder, shop, fitted, pd.Timestamp(request.start)),
        waits=fitted.waits,
        failures=fitted.failures,
        route=fitted.route,
        seed=seed,
    )
    document["warnings"] = [*fitted.warnings, *document.get("warnings", [])]
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
        if not 1 <= low <= high <= 1_000_000:
            raise UsageError(f'--qty "{piece}" is out of range.', "Quantities run from 1 to 1000000, low:high.")
        wanted.update(_spread(low, high))
    return sorted(wanted)


def _spread(low: int, high: int, most: int = 24) -> list[int]:
    """Every quantity of a short span; of a long one some two dozen, each about the same factor apart."""
    if high - low < most:
        return list(range(low, high + 1))
    ratio = (high / low) ** (1 / (most - 1))
    return sorted({round(low * ratio**step) for step in range(most)})


def _request(
    shop: Shop,
    quantity: int,
    processes: list[str],
    due: str | None,
    finish: str | None,
    start: str | None,
    **further: Any,
) -> QuoteRequest:
    if finish is not None and finish not in FINISHES:
        raise UsageError(f'"{finish}" is not a finish.', f"Known: {', '.join(FINISHES)}.")
    zone = ZoneInfo(shop.timezone)
    return QuoteRequest(
        quantity=quantity,
        processes=tuple(_process_code(word) for word in processes),
        due=moment(due, zone, whole_day_ends=True) if due else None,
        finish=finish,
        start=moment(start, zone) if start else datetime.now(zone).replace(microsecond=0),
        **further,
    )


def _process_code(word: str) -> str:
    code = PROCESS_WORDS.get(word.strip().lower())
    if code is None:
        raise UsageError(
            f'"{word}" is not a process.', "Known: MEX (material extrusion), VPP (resin), PBF (powder bed)."
        )
    return code


def _keep(folder: Path, document: dict[str, Any]) -> str | None:
    if not has_store(folder):
        return None
    with open_store(folder) as store:
        return save_quote(store, document)
