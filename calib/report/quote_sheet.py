"""A quote as one page to print or send: outward (a date and its terms) or inward (stages, hands, cost, basis): customer copy, internal copy."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from calib.documents.quote import Agreed, QuoteDocument, QuoteOption
from calib.errors import UsageError
from calib.report import quote_sentences as words
from calib.report.base import render
from calib.report.dots import DotRow, page_calendar, ready_dots, rows_of
from calib.report.quote_figures import curves, drawing, range_bars, schedule
from calib.report.quote_sentences import (
    advice,
    basis,
    by_reason,
    cautions_of,
    chosen,
    due_words,
    first_of_each,
    pieces_a_day,
    process_lines,
    promised_words,
    when_to_start,
    zone_sentences,
)
from calib.report.units import half_day_time, promise, same_time, short_day, usual_time, whole_day
from calib.safety import FOLLOW

EDITIONS = ("outward", "inward")
WORTH_TELLING = 0.01  # of the variation


def quote_sheet(quote: QuoteDocument, edition: str, agreed: Agreed | None = None) -> str:
    """HTML of one edition, with everything inside and no script.

    quote : the ``quote`` document (docs/interface.md) with ``drawing``, ``course``, ``width``, and ``comparison`` where one was made
    agreed : of an accepted quote: ``option`` (number), ``promised_at``, ``chance``
    Raises UsageError for an edition that is not 'outward' or 'inward'.
    """
    if edition not in EDITIONS:
        raise UsageError(f'"{edition}" is not an edition of the quote sheet.', f"Known: {', '.join(EDITIONS)}.")
    option = quote["options"][agreed["option"] if agreed else 0]
    values = _outward(quote, option, agreed) if edition == "outward" else _inward(quote, option, agreed)
    return render(
        f"quote_{edition}.html",
        quote={"quote_id": None, "due": None, "notes": (), "warnings": (), "shop": None, "items": (), **quote},
        option={"pieces_per_day": None, **option},
        drawings=_drawings(quote),
        basis=basis(option),
        process=words.PROCESSES[option["process"]] if option["process"] in words.PROCESSES else option["process"],
        **values,
    )


def _outward(quote: QuoteDocument, option: QuoteOption, agreed: Agreed | None) -> dict[str, Any]:
    own = option.get("promised_at") or option["sure_at"]
    promised = agreed["promised_at"] if agreed else own
    start = datetime.fromisoformat(quote["start"])
    return {
        "calendar": page_calendar(
            [DotRow("", ready_dots(option, quote["start"]), promised)], quote["start"], quote.get("closed_days", ())
        ),
        "promise": promise(promised, option.get("half_day", "") if same_time(promised, own) else ""),
        "chance": agreed["chance"] if agreed else option.get("promise_chance", quote["sure"]),
        "agreed": agreed is not None,
        "clock_starts": f"{whole_day(start)}, {start:%H:%M}",
        "quoted_on": whole_day(start),
        "good_until": whole_day(datetime.fromisoformat(quote["valid_until"])),
        "included": words.included(option["stages"]),
        "ready_means": words.ready_means(option["stages"]),
        "ground": words.ground(option["stages"]),
        "caution": words.one_caution(option["process"], [stage["stage"] for stage in option["stages"]]),
    }


def _inward(quote: QuoteDocument, option: QuoteOption, agreed: Agreed | None) -> dict[str, Any]:
    comparison, shown, due, cost = (
        quote.get("comparison"),
        chosen(quote["options"]),
        quote.get("due"),
        option.get("cost"),
    )
    is_soonest = option is quote["options"][0]
    return {
        "from_gaps": words.from_gaps(option["stages"]),
        "calendar": page_calendar(
            rows_of(first_of_each(quote["options"]), quote["start"]),
            quote["start"],
            quote.get("closed_days", ()),
            quote.get("due"),
        ),
        "advice": advice(quote),
        "when_to_start": when_to_start(quote),
        "agreed": _agreed(agreed, option, quote["start"]) if agreed else None,
        "bars": range_bars(shown, quote["start"], due),
        "left_out": len(quote["options"]) - len(shown),
        "asked": due_words(due, quote["start"]) if due else None,
        "schedule": schedule(quote.get("course") or (), quote["start"]) if is_soonest else None,
        "later": words.later_than_its_course(
            option, quote.get("course") or (), usual_time(option["ready_at"]["p50"], quote["start"])
        ),
        "cautions": cautions_of(quote["options"]),
        "follow": FOLLOW,
        "curves": curves(comparison, "lead_time_h", quote["quantity"]) if comparison else None,
        "comparison": comparison,
        "lines": process_lines(comparison["options"]) if comparison else {},
        "zones": zone_sentences(comparison) if comparison else (),
        "narrower": [
            words.narrower(option_) for option_ in quote.get("width") or () if option_["share"] >= WORTH_TELLING
        ],
        "out": by_reason(quote.get("out") or ()),
        "pieces_a_day": pieces_a_day,
        "cost": words.cost_words(cost) if cost else None,
        "time": lambda text: usual_time(text, quote["start"]),
        "promised": lambda option_: promised_words(option_, quote["start"]),
        "good_until": short_day(quote["valid_until"], quote["start"]),
    }


def _agreed(agreed: Agreed, option: QuoteOption, start: str) -> str:
    return (
        f"Accepted: {option['process']} on {option['machine']}, promised {half_day_time(agreed['promised_at'], start)}."
    )


def _drawings(quote: QuoteDocument) -> list[dict[str, Any]]:
    """One drawing, or one for each part of an order that has them."""
    several = quote.get("drawings") or ()
    if several:
        return [{"part": drawing_of["part"], **drawing(drawing_of["views"])} for drawing_of in several]
    views = quote.get("drawing")
    return [{"part": quote["part"], **drawing(views)}] if views else []
