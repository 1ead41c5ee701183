"""Which of a foreign file's columns is which of ours, and whether it has columns for each stage or a row for each start and stop."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations

from calib.calendar.written_time import is_day_number
from calib.logs.columns import KINDS, Column, plain_name
from calib.logs.look import Seen
from calib.logs.shapes import worded_minutes
from calib.logs.trade_words import HEADINGS, STAGE_WORDS, event_of, folded, outcome_of, phrase_in, process_of, stage_of

MOST_WORDS = 60  # a column of more different words is no column of stages
OWN, EXACT, HELD, NEAR = 100.0, 50.0, 20.0, 12.0  # how sure a heading makes us; only their order matters
TIMES = ("started_at", "ended_at", "at")
# What may stand in a column of each kind; names of things may look like anything but times.
FITS = {
    "stamp": {"stamp", "clock"},
    "date": {"day", "stamp"},
    "number": {"number"},
    "stage": {"text", "code"},
    "process": {"text", "code"},
    "word": {"text", "code", "number"},
    "flag": {"text", "number"},
    "text": {"text", "code", "number"},
}


@dataclass(frozen=True)
class Match:
    """theirs : one column or several that are joined by a space; why : a reason; ask : a question for a person, or ''"""

    theirs: tuple[str, ...]
    why: str
    ask: str = ""


def match_columns(columns: list[Seen], kind: str, places: Collection[str]) -> dict[str, Match]:
    """Our column -> theirs.

    places : machines and stations that the shop knows
    """
    matches = _by_heading(columns, kind)
    for by_content in (_by_words, _by_places, _by_times, _by_ids):
        used = {name for match in matches.values() for name in match.theirs}
        left = [column for column in columns if column.filled and column.name not in used]
        for ours, match in by_content(left, kind, places, matches).items():
            matches.setdefault(ours, match)
    return _with_days(matches, columns)


def worth(column: Seen, ours: str) -> tuple[float, str]:
    """How much its heading says that a column is ours, and why."""
    if plain_name(column.name) == ours:
        return OWN, "same name"
    heading, phrases = column.heading, HEADINGS.get(ours, ())
    if heading in (*phrases, folded(ours)):
        return EXACT, "usual heading"
    held = max(
        (phrase for phrase in phrases if len(phrase) > 2 and f" {phrase} " in f" {heading} "), key=len, default=""
    )
    if held:
        return HELD + len(held) / len(heading), f'heading holds "{held}"'
    near = next((phrase for phrase in phrases if len(phrase) > 4 and _near(phrase, heading)), "")
    return (NEAR, f'heading is nearly "{near}"') if near else (0, "")


def _near(phrase: str, heading: str) -> bool:
    return heading.startswith(phrase) or SequenceMatcher(None, phrase, heading).ratio() > 0.86


def fits(column: Seen, ours: Column) -> bool:
    """Whether its cells can be of that kind; an empty column can be anything."""
    if ours.name.endswith("_min") and (column.shape in ("clock", "duration") or column.share(_is_worded) > 0.5):
        return True
    if ours.kind in ("stamp", "date") and column.filled and column.share(is_day_number) == 1:
        return True
    if ours.kind == "stage" and column.share(stage_of) == 0 and len(set(column.filled)) > MOST_WORDS:
        return False
    if ours.name in TIMES and column.may_be_clock:
        return True
    return not column.filled or column.shape in FITS[ours.kind]


def _is_worded(cell: str) -> bool:
    return worded_minutes(cell) is not None


def misfits(columns: list[Seen], kind: str, matches: Mapping[str, Match]) -> Iterator[tuple[str, str]]:
    """Ours that a column is headed as though its cells cannot be that, and a question; not where they hold words alone."""
    used = {name for match in matches.values() for name in match.theirs}
    for ours in KINDS[kind]:
        what = "duration" if ours.name.endswith("_min") else _WHAT.get(ours.kind, "")
        for column in columns if what and ours.name not in matches else ():
            odd = next((cell for cell in column.filled if re.search(r"\d", cell)), "")
            if odd and column.name not in used and worth(column, ours.name)[0] >= EXACT and not fits(column, ours):
                yield ours.name, f'"{column.name}" is headed as {ours.name}, but is "{odd}" a {what}?{_REMEDY[what]}'


_WHAT = {"stamp": "time", "date": "day", "number": "number"}
_REMEDY = {
    "time": " Make it 08:43 or a stamp there, or say its format below",
    "day": " Make it 2026-11-20 there, or say its format below",
    "duration": " Make it minutes, h:mm or 1 h 30 min there",
    "number": "",
}


def _by_heading(columns: list[Seen], kind: str) -> dict[str, Match]:
    """The surest pairs first; each column once."""
    pairs = []
    elsewhere = {column.name for columns in KINDS.values() for column in columns} - {
        column.name for column in KINDS[kind]
    }
    for place, column in enumerate(columns):
        best = max(worth(column, name)[0] for name in elsewhere)
        for ours in KINDS[kind]:
            sure, why = worth(column, ours.name)
            if sure == OWN or (sure and sure >= min(best, EXACT) and fits(column, ours)):
                pairs.append((sure, bool(column.filled), -place, ours.name, column.name, why))
    matches: dict[str, Match] = {}
    used: set[str] = set()
    for _, _, _, ours_name, theirs, why in sorted(pairs, reverse=True):
        if ours_name not in matches and theirs not in used:
            matches[ours_name] = Match((theirs,), why)
            used.add(theirs)
    return {ours.name: matches[ours.name] for ours in KINDS[kind] if ours.name in matches}


def _by_words(
    columns: list[Seen], kind: str, places: Collection[str], matches: Mapping[str, Match]
) -> dict[str, Match]:
    """Columns of stages, processes, outcomes."""
    ours = {column.name for column in KINDS[kind]}
    new: dict[str, Match] = {}
    for name, known, what in (
        ("stage", stage_of, "stages"), ("process", process_of, "processes"), ("outcome", outcome_of, "outcomes"),
    ):  # fmt: skip
        for column in columns:
            if name in ours and column.share(known) > 0.5 and len(set(column.filled)) <= MOST_WORDS:
                new.setdefault(name, Match((column.name,), f"most cells look like {what}"))
    return new


def _by_places(
    columns: list[Seen], kind: str, places: Collection[str], matches: Mapping[str, Match]
) -> dict[str, Match]:
    ours = "machine" if kind in ("builds", "events") else "station"
    known = {place.lower() for place in places}
    for column in columns:
        if column.share(lambda cell: cell.lower() in known) > 0.5:
            return {ours: Match((column.name,), "holds machines or stations of yours")}
    return {}


def _by_times(
    columns: list[Seen], kind: str, places: Collection[str], matches: Mapping[str, Match]
) -> dict[str, Match]:
    """Stamps, days, durations without a telling heading."""
    if kind == "events":
        stamps = [column for column in columns if column.shape == "stamp"]
        return {"at": Match((stamps[0].name,), "holds stamps")} if stamps else {}
    if kind != "stages":
        return {}
    new: dict[str, Match] = {}
    for shape in ("stamp", "clock"):
        pair = _earlier_and_later([column for column in columns if column.shape == shape])
        if pair and not {"started_at", "ended_at"} & matches.keys():
            new |= {"started_at": Match((pair[0],), "holds times, the earlier of two"),
                    "ended_at": Match((pair[1],), "holds times, the later of two")}  # fmt: skip
            break
    single = [column.name for column in columns if column.shape == "stamp"]
    if not new and single and not {"started_at", "ended_at"} & matches.keys():
        question = f'does "{single[0]}" say when it started or when it ended?'
        new["started_at"] = Match((single[0],), "holds stamps", question)
    days = [column.name for column in columns if column.shape == "day"]
    if days:
        new["date"] = Match((days[0],), "holds days")
    taken = {name for match in new.values() for name in match.theirs}
    lasting = [column.name for column in columns if column.shape in ("duration", "clock") and column.name not in taken]
    if lasting:
        new["work_min"] = Match((lasting[0],), "holds durations")
    return new


def _earlier_and_later(columns: list[Seen]) -> tuple[str, str] | None:
    """Two columns of which one is nearly never later than the other in the same row, cells held against each other as text."""
    for first, second in combinations(columns, 2):
        both = [(a, b) for a, b in zip(first.cells, second.cells, strict=True) if a and b]
        if both and sum(a.zfill(19) <= b.zfill(19) for a, b in both) > 0.8 * len(both):
            return first.name, second.name
        if both and sum(a.zfill(19) >= b.zfill(19) for a, b in both) > 0.8 * len(both):
            return second.name, first.name
    return None


def _by_ids(columns: list[Seen], kind: str, places: Collection[str], matches: Mapping[str, Match]) -> dict[str, Match]:
    """What was worked on: the first column of codes or whole numbers, with a question."""
    if "build_id" in matches or kind == "events":
        return {}
    if "order_id" in matches:
        theirs = matches["order_id"].theirs[0]
        return (
            {}
            if kind == "stages"
            else {"build_id": Match((theirs,), "no other column says it", f'is "{theirs}" one build?')}
        )
    for column in columns:
        if column.shape == "code" or (column.shape == "number" and all(cell.isdecimal() for cell in column.filled)):
            return {"build_id": Match((column.name,), "holds codes", f'does "{column.name}" say which build it was?')}
    return {}


def _day_numbers(matches: Mapping[str, Match], columns: list[Seen]) -> set[str]:
    numbers = {column.name for column in columns if column.filled and column.share(str.isdecimal) == 1}
    return numbers & set(matches["date"].theirs) if "date" in matches else set()


def _or_hours(column: Seen) -> str:
    """A question where times of day may as well be hours with a decimal mark."""
    if any(cell.startswith("0") or not re.fullmatch(r"\d+[.,]\d+", cell) for cell in column.filled):
        return ""
    first = column.filled[0]
    return f'"{column.name}": is {first} the time {first.replace(",", ":").replace(".", ":")}, or {first} hours?'


def _with_days(matches: dict[str, Match], columns: list[Seen]) -> dict[str, Match]:
    """A time of day takes the column of the day before it."""
    seen = {column.name: (place, column) for place, column in enumerate(columns)}
    days = [column for column in columns if column.shape == "day" or column.name in _day_numbers(matches, columns)]
    days = days or [column for column in columns if column.shape == "stamp"]
    joined = dict(matches)
    timed = [seen[matches[ours].theirs[0]][1] for ours in TIMES if ours in matches]
    clocks = [column for column in timed if column.may_be_clock]
    for ours in (name for name in TIMES if name in matches):
        place, column = seen[matches[ours].theirs[0]]
        if not column.may_be_clock:
            continue
        if not days:
            joined[ours] = Match(
                (column.name,), matches[ours].why, f'"{column.name}" has times of day only: where is the day?'
            )
            continue
        day = max(
            days,
            key=lambda candidate: (worth(candidate, ours)[0], -abs(place - seen[candidate.name][0]), candidate.name),
        )
        ask = _or_hours(column) if all(map(_or_hours, clocks)) else ""
        joined[ours] = Match((day.name, column.name), f"{matches[ours].why}, day from beside it", ask)
    if any(len(match.theirs) > 1 for match in joined.values()):
        joined.pop("date", None)
    return joined


START, END, LASTING = "start", "end", "minutes"
_ROLES = {
    phrase: role
    for ours, role in (("started_at", START), ("ended_at", END), ("work_min", LASTING))
    for phrase in HEADINGS[ours]
} | {"minutes": LASTING, "min": LASTING}


def stage_columns(columns: list[Seen]) -> dict[str, list[Seen]]:
    """Our stage -> its columns of start and end, or the one of its duration."""
    groups: dict[str, dict[str, Seen]] = {}
    for column in columns:
        stage, role = _stage_and_role(column)
        if stage and role:
            groups.setdefault(stage, {}).setdefault(role, column)
    by_stage = {}
    for stage, roles in groups.items():
        if START in roles and END in roles:
            by_stage[stage] = [roles[START], roles[END]]
        elif LASTING in roles:
            by_stage[stage] = [roles[LASTING]]
    return by_stage


def wide_stages(columns: list[Seen]) -> dict[str, list[Seen]]:
    """``stage_columns``; {} where fewer than two stages have any."""
    by_stage = stage_columns(columns)
    return by_stage if len(by_stage) > 1 else {}


def _stage_and_role(column: Seen) -> tuple[str, str]:
    """The stage in a heading and what the column says of it; ('', '') where its cells are no times."""
    phrase, stage = phrase_in(column.heading, STAGE_WORDS)
    rest = f" {column.heading} ".replace(f" {phrase} ", " ").strip()
    if not stage:
        stage, rest = _compound(column.heading)
    role = phrase_in(rest, _ROLES)[1]
    if not stage or (rest and not role) or column.shape not in ("stamp", "clock", "number", "duration"):
        return "", ""
    lasts = role in ("", LASTING) and column.shape != "stamp"
    timed = role in (START, END) and column.shape in ("stamp", "clock")
    return (stage, LASTING if lasts else role) if lasts or timed else ("", "")


def _compound(heading: str) -> tuple[str, str]:
    """Stage and role of a heading that is one word.

    >>> _compound("druckbeginn"), _compound("rustzeit"), _compound("druck")
    (('printing', 'beginn'), ('machine_setup', 'zeit'), ('', ''))
    """
    cuts = ((heading[:place], heading[place:]) for place in range(3, len(heading) - 2))
    stages = ((STAGE_WORDS.get(stem) or STAGE_WORDS.get(f"{stem}en"), rest) for stem, rest in cuts if rest in _ROLES)
    return next(((stage, rest) for stage, rest in stages if stage), ("", ""))


def event_column(columns: list[Seen]) -> Seen | None:
    """The column of 'start' and 'stop', where nearly all of its cells are such words and both come."""
    for column in columns:
        if column.share(event_of) >= 0.8 and {"start", "stop"} <= {event_of(cell) for cell in column.filled}:
            return column
    return None
