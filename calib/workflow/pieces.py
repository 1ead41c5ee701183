"""How many pieces to start so that enough are good, from the yield that the logs show."""

from __future__ import annotations

from math import exp, lgamma, log
from pathlib import Path

from calib.documents.quote import QuoteDocument
from calib.documents.shop import Pieces, PiecesDocument
from calib.errors import NoPlanError, TooFewRunsError, UsageError
from calib.records import PROCESSES, process_code
from calib.report.units import times
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.runs import find_yields
from calib.workflow.fitted import has_store

MOST_PIECES = 1_000_000


def pieces_to_start(good: int, yield_share: float, chance: float) -> int:
    """Least number of pieces of which at least ``good`` come out good with ``chance``; pieces fail on their own.

    yield_share : share of pieces that are good, 0 < yield_share <= 1; chance : 0 < chance < 1
    Raises NoPlanError where more than a million would be needed.

    Raises UsageError for numbers out of range.

    >>> pieces_to_start(60, 0.98, 0.9)
    63
    """
    if good < 1 or not 0 < yield_share <= 1 or not 0 < chance < 1:
        raise UsageError(f"{good} good pieces at a yield of {yield_share} with a chance of {chance}: out of range.")
    if good > MOST_PIECES:
        raise UsageError(f"{good} good pieces: at most {MOST_PIECES:,} are planned at once.", "Ask for fewer.")
    low = good
    if chance_of_enough(low, good, yield_share) >= chance:
        return low
    high = 2 * low
    while chance_of_enough(high, good, yield_share) < chance:
        low, high = high, 2 * high
        if high > MOST_PIECES:
            raise NoPlanError(f"With a yield of {yield_share:.1%} no sensible number of pieces gives {good} good ones.")
    while high - low > 1:
        middle = (low + high) // 2
        enough = chance_of_enough(middle, good, yield_share) >= chance
        low, high = (low, middle) if enough else (middle, high)
    return high


def chance_of_enough(started: int, good: int, yield_share: float) -> float:
    """Chance that at least ``good`` of ``started`` are good: the upper tail of the binomial.

    >>> round(chance_of_enough(2, 1, 0.5), 9)
    0.75
    """
    if yield_share >= 1:
        return float(started >= good)
    bad_most = started - good
    if bad_most < 0:
        return 0.0
    odds = log(1 - yield_share), log(yield_share)
    ways = (lgamma(started + 1) - lgamma(k + 1) - lgamma(started - k + 1) for k in range(bad_most + 1))
    return min(1.0, sum(exp(w + k * odds[0] + (started - k) * odds[1]) for k, w in enumerate(ways)))


FEWEST_PIECES = 20


def find_pieces(
    folder: Path, good: int, processes: list[str], sure: float = 0.9, yield_share: float | None = None
) -> PiecesDocument:
    """For each process of the shop the least number to start, its yield and the pieces that it was learned from.

    yield_share : share of good pieces to reckon with, instead of the learned one
    Raises TooFewRunsError where no process has enough counted pieces and no yield is given.
    """
    shop = read_shop(folder)
    wanted = [_code(word) for word in processes] or list(dict.fromkeys(m.process for m in shop.machines.values()))
    counted = find_counted(folder) if yield_share is None else {}
    rows = [_row(process, good, sure, counted.get(process, (0, 0)), yield_share) for process in wanted]
    if all(row["start"] is None for row in rows):
        raise TooFewRunsError(
            f"Good pieces are not counted yet for {', '.join(wanted)}: fewer than {FEWEST_PIECES}.",
            "Log parts and parts_good, or say the yield: --yield 0.97.",
        )
    return {"good": good, "sure": sure, "processes": rows}


def piece_notes(counted: dict[str, tuple[int, int]], document: QuoteDocument) -> list[str]:
    """What to start so that as many as quoted are good, where that is more and the soonest process's yield is known."""
    process, good, sure = document["options"][0]["process"], document["quantity"], document["sure"]
    row = _row(process, good, sure, counted.get(process, (0, 0)), None)
    if row["start"] is None or row["yield"] is None or row["start"] <= good:
        return []
    return [
        f"Start {row['start']} to have {good} good, {times(sure)} times: {100 * row['yield']:.1f} % of {row['pieces_behind']} "
        f"{process} pieces were good. Dates are for {good}."
    ]


def find_counted(folder: Path) -> dict[str, tuple[int, int]]:
    """Pieces and good ones of each process, as logged."""
    if not has_store(folder):
        return {}
    with open_store(folder, read_only=True) as store:
        return find_yields(store)


def _row(process: str, good: int, sure: float, counted: tuple[int, int], yield_share: float | None) -> Pieces:
    pieces, fine = counted
    share = yield_share if yield_share is not None else learned_yield(pieces, fine)
    start = pieces_to_start(good, share, sure) if share is not None else None
    return {
        "process": process,
        "start": start,
        "yield": round(share, 4) if share is not None else None,
        "pieces_behind": pieces,
        "chance": round(chance_of_enough(start, good, share), 4) if start is not None and share is not None else None,
    }


def learned_yield(pieces: int, fine: int) -> float | None:
    """Share of good pieces, half a bad one added to each side (Jeffreys' prior); None below FEWEST_PIECES.

    >>> learned_yield(99, 99)
    0.995
    """
    return (fine + 0.5) / (pieces + 1) if pieces >= FEWEST_PIECES else None


def _code(word: str) -> str:
    code = process_code(word)
    if code is None:
        raise UsageError(f'"{word}" is not a process.', f"Known: {', '.join(PROCESSES)}.")
    return code
