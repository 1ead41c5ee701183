"""A quote's answer on one small screen: what to promise, what costs least, and 20 dots for each process."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from calib.calendar.week import WEEKDAYS
from calib.documents.quote import QuoteDocument, QuoteOption, Tie
from calib.report.dots import A_WEEK, Calendar, calendars
from calib.report.quote_sentences import (
    about_due,
    currency_of,
    first_of_each,
    named_option,
    notes_of,
    option_name,
    outside_lines,
    parts_asked,
    promised_words,
    ties_line,
    usual_cost,
    warning_lines,
    when_to_start,
)
from calib.report.terminal import GAP, terminal_columns
from calib.report.units import chance, clock_time, count, ends_a_day, half_day_time, is_noon, times
from calib.safety import NO_FLOOR, take_care

FEWEST_ROWS = 3
NARROW = 76  # columns: a terminal of 80 with a margin, and what has no width of its own
Mark = Callable[[int], str]
MOST_LATER = 3  # dots of a row that may stand as a number behind the last column


def show_answer(doc: QuoteDocument) -> str:
    """The answer in about 14 lines of NARROW columns; all options, notes and cautions are with --all and --stages."""
    options = doc["options"]
    shown = _shown(doc)
    first, later = notes_of(doc)
    warnings = [str(text) for text in doc.get("warnings") or () if text not in first]
    more = [text for text in later if text not in warnings]
    notes = warning_lines(options)
    floors = [line for line in notes if NO_FLOOR in line]
    start = f"start {clock_time(doc['start'], datetime.now().isoformat())}"
    lines = [
        *first,
        f"{parts_asked(doc)}      {start}",
        f"Promise {promised_words(options[0], doc['start'])}   {_and_chance(options[0], doc)}",
        *_others(doc),
        *about_due(doc, short=True),
        *when_to_start(doc),
        *([] if doc.get("due") else [""]),
        *_dot_table(doc, shown),
        *outside_lines(doc),
        *(f"Note: {text}" for text in warnings),
        *_unlearned(options[0], doc),
        *floors,
        take_care(shown_option["process"] for shown_option in shown),
        _foot(doc, len(options) - len(shown), len(more) + len(notes) - len(floors)),
    ]
    return "\n".join(line.rstrip() for line in lines)


def _shown(doc: QuoteDocument) -> list[QuoteOption]:
    """The soonest of each process, the cheapest, and the next ones where these are few; in order of promise."""
    options = list(doc["options"])
    kept = [id(option) for option in first_of_each(options)]
    promise = doc.get("promise")
    if promise and (cheapest := promise["cheapest"]):
        kept += [id(option) for option in options if _is(option, cheapest)][:1]
    kept += [id(option) for option in options if id(option) not in kept][: max(0, FEWEST_ROWS - len(set(kept)))]
    return [option for option in options if id(option) in kept]


def _is(option: QuoteOption, named: Tie) -> bool:
    return (option["process"], option["machine"], option.get("promised_at")) == (
        named["process"], named["machine"], named["promised_at"],
    )  # fmt: skip


def _and_chance(option: QuoteOption, doc: QuoteDocument) -> str:
    kept = times(option.get("promise_chance", doc.get("sure", 0.9)))
    return f"{named_option(option)}: {kept} are ready by then"


def _others(doc: QuoteDocument) -> list[str]:
    """Who keeps the promise as well, and where a later one costs less."""
    given = doc.get("promise") or {"ties": (), "cheapest": None}
    lines = [ties_line(given["ties"])] if given["ties"] else []
    cheapest = given["cheapest"]
    if cheapest:
        currency = currency_of(doc["options"])
        when = half_day_time(cheapest["promised_at"], doc["start"])
        lines.append(
            f"Cheapest: {when}   {cheapest['process']} {cheapest['machine']}, {cheapest['cost']:.0f} {currency}"
        )
    return lines


def _dot_table(doc: QuoteDocument, shown: Sequence[QuoteOption]) -> list[str]:
    """A row for each option: its dots by half days, or by what is coarser where these have no room."""
    names, currency = [option_name(shown_option) for shown_option in shown], currency_of(shown)
    priced = [currency] if currency else []
    tails = [
        [_by_then(shown_option, doc), *_in_time(shown_option, doc), *_cost(shown_option, priced)]
        for shown_option in shown
    ]
    heads = [f"{times(doc.get('sure', 0.9))} by", *(["in time"] if doc.get("due") else []), *priced]
    tail = [max(map(len, column)) for column in zip(heads, *tails, strict=True)]
    room = _columns() - max(map(len, names)) - sum(len(GAP) + wide for wide in tail)
    calendar, cut, mark = _finest(calendars(shown, doc["start"]), room)
    cells = [_cells(own, cut, mark) for own in calendar.counts]
    head = [*calendar.names[:cut], *(["later"] if cut < len(calendar.names) else [])]
    wide = [max(map(len, column)) for column in zip(head, *cells, strict=True)]
    what = f"each dot = 1 of 20 such jobs, ready in {calendar.what}"
    if mark is count_of:
        what = f"of 20 such jobs, so many are ready in {calendar.what}"
    left = max(map(len, names))
    rows = [("", head, heads), *zip(names, cells, tails, strict=True)]
    return [what, *(_line(name, left, own, wide, end, tail) for name, own, end in rows)]


def _line(name: str, left: int, cells: list[str], wide: list[int], end: list[str], tail: list[int]) -> str:
    dots = [f"{cell:<{own}}" for cell, own in zip(cells, wide, strict=True)]
    last = [f"{end[0]:<{tail[0]}}", *(f"{cell:>{own}}" for cell, own in zip(end[1:], tail[1:], strict=True))]
    return GAP.join([f"{name:<{left}}", *dots, *last])


def dots_of(number: int) -> str:
    return "." * number


def pairs_of(number: int) -> str:
    """
    >>> pairs_of(5)
    '::.'
    """
    return ":" * (number // 2) + "." * (number % 2)


def count_of(number: int) -> str:
    return str(number or "")


def _finest(finer_first: Sequence[Calendar], room: int) -> tuple[Calendar, int, Mark]:
    """The finest calendar that fits, how many of its columns stand before 'later', and how dots are written."""
    for calendar in finer_first:
        for mark in (dots_of, pairs_of):
            for cut in range(len(calendar.names), 0, -1):
                head = [*calendar.names[:cut], *(["later"] if cut < len(calendar.names) else [])]
                cells = [_cells(own, cut, mark) for own in calendar.counts]
                late = max(sum(own[cut:]) for own in calendar.counts)
                wide = sum(len(GAP) + max(map(len, column)) for column in zip(head, *cells, strict=True))
                if late <= MOST_LATER and wide <= room:
                    return calendar, cut, mark
    return finer_first[-1], len(finer_first[-1].names), count_of


def _cells(counts: Sequence[int], cut: int, mark: Mark) -> list[str]:
    cells = [mark(count_) for count_ in counts[:cut]]
    return [*cells, count_of(sum(counts[cut:]))] if cut < len(counts) else cells


def _by_then(option: QuoteOption, doc: QuoteDocument) -> str:
    """'Wed midday' within a week of the start, else the date too."""
    text = option.get("promised_at") or option.get("sure_at") or option["ready_at"]["p90"]
    when, start = datetime.fromisoformat(text), datetime.fromisoformat(doc["start"])
    if (when.date() - start.date()).days >= A_WEEK or ends_a_day(when):
        return half_day_time(text, doc["start"])
    return f"{WEEKDAYS[when.weekday()]} {'midday' if is_noon(when) else f'{when:%H:%M}'}"


def _in_time(option: QuoteOption, doc: QuoteDocument) -> list[str]:
    return [chance(option["on_time"])] if doc.get("due") else []


def _cost(option: QuoteOption, priced: list[str]) -> list[str]:
    return [usual_cost(option)] if priced else []


def _unlearned(option: QuoteOption, doc: QuoteDocument) -> list[str]:
    """How much of an option was not learned; nothing where there is no fit at all, which a warning says."""
    runs = [stage["runs_behind"] for stage in option["stages"]]
    if not any(runs):
        return ["Not yet learned from logs, physics alone: wide."] if doc.get("as_of") else []
    left = sum(not behind for behind in runs)
    return [f"{left} of {len(runs)} stages not yet learned: wide."] if left else []


def _foot(doc: QuoteDocument, slower: int, notes: int) -> str:
    """What else there is, where it stands, and how to go on."""
    out = len(doc.get("out") or ())
    more = [f"{slower} slower"] if slower else []
    more += [count(notes, "note")] if notes else []
    more += [f"{count(out, 'machine')} out"] if out else []
    ways = [f"{', '.join(more)}: --all"] if more else []
    ways += ["cautions: --stages"]
    ways += [f"accept: calib accept {doc['quote_id']}"] if doc.get("quote_id") else []
    whole = "   ".join(ways)
    return whole if len(whole) <= _columns() else "\n".join(["   ".join(ways[:-1]), ways[-1]])


def _columns() -> int:
    """Of the terminal; NARROW where there is none, so that it can be read wherever it goes."""
    return max(NARROW, terminal_columns(NARROW))
