"""A look at a foreign file -> a proposed mapping with its reasons, for a person to check. Importing never guesses."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from calib.documents.logs import MappingProposal
from calib.logs.columns import KINDS, column_of
from calib.logs.look import Look, Seen, look_at, named
from calib.logs.mapping import UNITS, dimension, parsed
from calib.logs.propose_cells import decimal_of, formats_of, unit_of
from calib.logs.propose_columns import (
    EXACT,
    MOST_WORDS,
    Match,
    event_column,
    fits,
    match_columns,
    misfits,
    stage_columns,
    wide_stages,
    worth,
)
from calib.logs.shapes import joined_time, shape_of
from calib.logs.trade_words import (
    STAGE_WORDS,
    event_of,
    folded,
    outcome_of,
    phrase_in,
    process_of,
    stage_of,
    why_stage,
    word_of,
)
from calib.logs.write_mapping import Line, as_toml
from calib.records import PROCESSES, STAGES

EXAMPLES = 2  # cells that are shown beside a column
OF_PEOPLE = ("operator", "note", "what")  # hold names: how many different cells there are is shown, not the cells
CUT_CLOCK = re.compile(r' \d{1,2}[.,][0-5]"$')
TIMES = ("started_at", "ended_at", "date", "at")


@dataclass
class Proposal:
    """What a mapping will say, while it is put together.

    matches : our name -> their columns; texts : our name -> one text for each row, of the columns of times
    """

    columns: list[Seen]
    kind: str
    matches: dict[str, Match] = field(default_factory=dict)
    texts: dict[str, list[str]] = field(default_factory=dict)
    formats: dict[str, list[str]] = field(default_factory=dict)
    decimal: str = "."
    lines: list[Line] = field(default_factory=list)

    def say(self, section: str, key: str, value: Any, why: str = "", ask: str = "", off: bool = False) -> None:
        self.lines.append(Line(section, key, value, why, ask, off))

    def column(self, name: str) -> Seen:
        return named(self.columns, name)

    def joined(self, theirs: Iterable[str]) -> list[str]:
        """One text for each row: their cells joined by a space; '' where one of them is empty."""
        rows = zip(*(self.column(name).cells for name in theirs), strict=True)
        return [joined_time(cells) if all(cells) else "" for cells in rows]


def propose_mapping(
    path: Path,
    machines: Mapping[str, str] | None = None,
    places: Iterable[str] = (),
    kind: str | None = None,
    materials: Iterable[str] = (),
    sheet: str | None = None,
) -> MappingProposal:
    """Look at a file and propose how its columns become ours.

    machines : machine -> process, places : stations, and materials that the shop knows
    kind, sheet : what it is a log of, and which sheet of a workbook is looked at, where a person has said so

    Raises LogFileError when the file is no table.
    """
    look = look_at(path, sheet)
    columns, notes = look.columns, look.notes
    plan = _plan(look, kind, machines or {}, places, path.stem, sheet is not None)
    _say_names(plan, {"machine": machines or {}, "material": materials})
    stated = [line for line in plan.lines if not line.off]
    asked = any(line.ask for line in plan.lines)
    if not asked and plan.decimal == "." and not look.skip and all(line.is_ours for line in stated if line.section):
        notes = (*notes, "its columns are ours, so it needs no mapping: calib import FILE")
    used = {name for line in stated for name in line.columns}
    unused = [column.name for column in columns if column.name not in used]
    free = [column.name for column in KINDS[plan.kind] if column.name not in plan.matches]
    return {
        "toml": as_toml(path.name, plan.kind, plan.lines, unused, free, notes),
        "kind": plan.kind,
        "notes": list(notes),
        "reasons": [line.reason for line in stated if line.why],
        "lines": [line.shown for line in stated],
        "unsure": [line.ask for line in plan.lines if line.ask],
        "other_kind": _other_kind(plan, columns) or (None if kind else _timed_stage(plan, columns)),
    }


def _plan(
    look: Look, kind: str | None, machines: Mapping[str, str], places: Iterable[str], name: str, is_named: bool = False
) -> Proposal:
    """The proposal put together: what shape the file has, then its columns, then how their cells are written.

    is_named : whether a person named the sheet
    """
    columns = look.columns
    wide = wide_stages(columns) if kind in (None, "stages") else {}
    event = event_column(columns) if kind in (None, "stages") and not wide else None
    plan = Proposal(columns, kind or ("stages" if wide or event else _kind(columns)))
    plan.say("", "kind", plan.kind)
    if look.sheet:
        another = "the likeliest sheet; to propose for another: calib map --sheet NAME"
        plan.say("", "sheet", look.sheet, "as asked for" if is_named else another)
    if look.skip:
        plan.say("", "skip", list(look.skip), f"rows that begin so are none of a log{_such_as(look.skip.values())}")
    taken = {column.name for group in wide.values() for column in group} | ({event.name} if event else set())
    plan.matches = match_columns(
        [column for column in columns if column.name not in taken], plan.kind, {*machines, *places}
    )
    _say_build_of_order(plan)
    plan.decimal, why, ask = decimal_of(_number_cells(plan, taken))
    plan.say("", "decimal", plan.decimal, why, ask)
    if wide:
        _say_wide(plan, wide)
    if event:
        _say_events(plan, event)
    _say_times(plan, wide)
    _say_columns(plan, machines)
    _say_missing(plan, name, wide)
    _say_units(plan, wide)
    _say_words(plan, machines)
    return plan


def _kind(columns: list[Seen]) -> str:
    """Stages where a column is headed so or holds them, or where there are starts and ends; else items, events or builds."""

    def has(ours: str, kind: str) -> bool:
        column = column_of(kind, ours)
        return any(worth(candidate, ours)[0] >= EXACT and fits(candidate, column) for candidate in columns)

    if has("stage", "stages") or any(
        candidate.share(stage_of) > 0.5 and len(set(candidate.filled)) <= MOST_WORDS and candidate.shape == "text"
        for candidate in columns
    ):
        return "stages"
    if has("started_at", "stages") and has("ended_at", "stages"):
        return "stages"
    if has("what", "events") and has("at", "events"):
        return "events"
    is_build = has("machine", "builds") or has("process", "builds")
    if not is_build and has("qty", "items") and has("part_file", "items"):
        return "items"
    times = [candidate for candidate in columns if candidate.shape in ("stamp", "clock")]
    return "stages" if not is_build and len(times) > 1 else "builds"


def _say_build_of_order(plan: Proposal) -> None:
    """An order's number is its build's too, with a question, where the rows of stages say what only a build has."""
    if "build_id" not in plan.matches and _other_kind(plan, plan.columns):
        theirs = plan.matches["order_id"].theirs
        plan.matches["build_id"] = Match(theirs, "no other column says it", f'is "{theirs[0]}" one build?')


def _other_kind(plan: Proposal, columns: list[Seen]) -> str | None:
    """Builds, where rows of stages also say on which machine a build was and by which process or of how many parts."""
    if plan.kind != "stages" or not {"build_id", "order_id"} & set(plan.matches):
        return None
    ours = {
        name
        for name in ("machine", "process", "parts", "material")
        if any(
            worth(column, name)[0] >= EXACT and column.filled and fits(column, column_of("builds", name))
            for column in columns
        )
    }
    return "builds" if "machine" in ours and len(ours) > 1 else None


def _timed_stage(plan: Proposal, columns: list[Seen]) -> str | None:
    """Stages, where rows of builds also say when one of their stages began and ended."""
    timed = any(len(group) == 2 for group in stage_columns(columns).values())
    return "stages" if plan.kind == "builds" and timed else None


def _number_cells(plan: Proposal, taken: set[str]) -> list[list[str]]:
    mapped = {match.theirs[0] for ours, match in plan.matches.items() if column_of(plan.kind, ours).kind == "number"}
    return [
        [cell for cell in plan.column(name).filled if shape_of(cell) == "number"] for name in sorted(mapped | taken)
    ]


def _say_wide(plan: Proposal, wide: dict[str, list[Seen]]) -> None:
    """A row for each build: which columns are of which stage, and where the day stands."""
    for ours in ("station", "outcome"):  # they are the build's, not each stage's
        plan.matches.pop(ours, None)
    day = next((name for name in plan.matches.get("date", Match((), "")).theirs), "")
    day = day or next((column.name for column in plan.columns if column.shape == "day"), "")
    pairs = [group for group in wide.values() if len(group) == 2]
    bare = any(column.shape == "clock" for group in pairs for column in group)
    if bare or len(pairs) < len(wide):
        day = day or next((group[0].name for group in pairs if group[0].shape == "stamp"), "")
        ask = "" if day else "wide: no column says the day, and times of day or durations need one"
        plan.say("wide", "date", day, "the day of what has no stamps of its own", ask, off=not day)
        plan.matches.pop("date", None)
    for stage, group in wide.items():
        names = [column.name for column in group]
        what = "start and end" if len(group) == 2 else "duration"
        plan.say("wide", stage, _one_or_several(names), f"{what}{_such_as(group[0].filled)}")
    for place, ours in enumerate(("started_at", "ended_at")):
        texts = []
        for group in pairs:
            texts += plan.joined(
                [day, group[place].name] if group[place].shape == "clock" and day else [group[place].name]
            )
        if texts:
            plan.texts[ours] = texts
    if day and (bare or len(pairs) < len(wide)):
        plan.texts["date"] = plan.joined([day])


def _say_events(plan: Proposal, event: Seen) -> None:
    """A row for each start and stop: words, time, and what tells the runs apart."""
    plan.say("start_stop", "event", event.name, f"holds starts and stops{_such_as(event.filled)}")
    time = plan.matches.pop("started_at", None) or plan.matches.pop("ended_at", None) or plan.matches.pop("date", None)
    plan.matches.pop("ended_at", None)
    plan.say(
        "start_stop",
        "at",
        _one_or_several(time.theirs) if time else [],
        "when it happened",
        "" if time else "which column says when?",
    )
    if time:
        plan.texts["at"] = plan.joined(time.theirs)
    identifying = [
        match.theirs[0] for ours in ("build_id", "order_id", "stage", "station") if (match := plan.matches.get(ours))
    ]
    same = [name for name in identifying if _filled_at_both(plan.column(name), event)]
    plan.say(
        "start_stop", "same", same, "a start and its stop have the same here", "" if same else "what tells runs apart?"
    )
    words: dict[str, list[str]] = {}
    for cell in dict.fromkeys(event.filled):
        words.setdefault(event_of(cell), []).append(cell)
    for what in ("start", "stop", "pause", "resume"):
        if what in words:
            plan.say("start_stop", what, words[what])
    for cell in words.get("", ()):
        plan.say("start_stop", "stop", [cell], "", f'what is "{cell}" in "{event.name}"?', off=True)


def _filled_at_both(column: Seen, event: Seen) -> bool:
    """Whether a column is filled in about as many rows of starts as of stops, so that it can join them."""
    filled = Counter(event_of(what) for cell, what in zip(column.cells, event.cells, strict=True) if cell)
    return min(filled["start"], filled["stop"]) > 0.5 * max(filled["start"], filled["stop"])


def _say_times(plan: Proposal, wide: Mapping[str, list[Seen]]) -> None:
    for ours in TIMES:
        if ours in plan.matches:
            plan.texts.setdefault(ours, plan.joined(plan.matches[ours].theirs))
    order, why, ask = formats_of({ours: [text for text in texts if text] for ours, texts in plan.texts.items()})
    plan.formats = order.formats
    for ours, forms in order.formats.items():
        left = order.unread[ours]
        some = f'{ours}: no known format reads {len(left)} of its cells, such as "{left[0]}"' if left else ""
        some += "; a spreadsheet cuts the last 0 of 8.40: make the column text there" if CUT_CLOCK.search(some) else ""
        if ours in plan.matches and plan.matches[ours].ask and not forms:
            some = ""  # no day is beside it: that is asked already
        if forms:
            plan.say("formats", ours, _one_or_several(forms), why, ask or some)
            ask = ""
        elif left:
            plan.say("formats", ours, "%d.%m.%Y %H:%M", "", some, off=True)
    over = _ends_before_start(plan, wide)
    if over:
        why = f"{over} {'row ends' if over == 1 else 'rows end'} before the start by the clock: on the next day, then"
        plan.say("", "overnight", True, why)


def _moments(plan: Proposal, ours: str) -> list[Any]:
    moments = [parsed(text, plan.formats.get(ours, ())) for text in plan.texts.get(ours, ())]
    return [moment.replace(tzinfo=None) if moment else None for moment in moments]


def _lasted(plan: Proposal) -> list[float | None]:
    """Minutes from start to end of each row, where both are known."""
    both = zip(_moments(plan, "started_at"), _moments(plan, "ended_at"), strict=False)
    return [(end - start).total_seconds() / 60 if start and end else None for start, end in both]


def _ends_before_start(plan: Proposal, wide: Mapping[str, list[Seen]]) -> int:
    """Rows that end before they start though a day is taken from one column for both: they went on past midnight."""
    ends = [group[1] for group in wide.values() if len(group) == 2]
    ends += [plan.column(name) for name in plan.matches.get("ended_at", Match((), "")).theirs]
    if all(column.shape == "stamp" for column in ends):
        return 0  # each end has a day of its own: one before its start is a fault
    return sum(-1440 < minutes < 0 for minutes in _lasted(plan) if minutes is not None)


def _say_columns(plan: Proposal, machines: Mapping[str, str]) -> None:
    if plan.kind == "builds" and "machine" in plan.matches and "process" not in plan.matches:
        plan.matches["process"] = replace(
            plan.matches["machine"], why="no column says it: taken from the machine", ask=""
        )
    if "work_min" in plan.matches and _is_said_by_stamps(plan):
        match = plan.matches.pop("work_min")
        plan.say("columns", "work_min", match.theirs[0], "not needed: end less start says it", off=True)
    for ours, match in plan.matches.items():
        cells = [text for text in plan.joined(match.theirs) if text]
        shown = f": {len(set(cells))} different" if ours in OF_PEOPLE else _such_as(cells)
        plan.say("columns", ours, _one_or_several(match.theirs), match.why + shown, match.ask)


def _is_said_by_stamps(plan: Proposal) -> bool:
    """Whether nearly every row that has a duration has its start and end too."""
    cells = plan.joined(plan.matches["work_min"].theirs)
    rows = [minutes for cell, minutes in zip(cells, _lasted(plan), strict=False) if cell]
    return len(rows) > 0 and sum(minutes is not None for minutes in rows) > 0.95 * len(rows)


def _one_or_several(texts: Sequence[str]) -> str | list[str]:
    return texts[0] if len(texts) == 1 else list(texts)


def _such_as(cells: Iterable[str]) -> str:
    different = [f'"{cell[:30]}"' for cell, _ in zip(dict.fromkeys(cells), range(EXAMPLES), strict=False)]
    return f": {', '.join(different)}" if different else ""


def _say_missing(plan: Proposal, name: str, wide: Mapping[str, Any]) -> None:
    """What a log of this kind needs and no column says."""
    for column in KINDS[plan.kind]:
        if column.needed and column.name not in plan.matches and column.name != "stage":
            ask = f"which column is {column.name}? A log of {plan.kind} needs it"
            plan.say("columns", column.name, "", "", ask, off=True)
    for ours, ask in misfits(plan.columns, plan.kind, plan.matches) if not wide else ():
        plan.say("columns", ours, "", "", ask, off=True)
    if plan.kind != "stages":
        return
    if not plan.matches.keys() & {"build_id", "order_id"}:
        plan.say("columns", "build_id", "", "", "which column says the build or the order?", off=True)
    if (
        not wide
        and not plan.texts.keys() & {"started_at", "ended_at", "at"}
        and not {"date", "work_min"} <= plan.matches.keys()
    ):
        plan.say(
            "columns", "started_at", "", "", "when was it? A run needs start and end, or day and duration", off=True
        )
    if not wide and "stage" not in plan.matches:
        stage = phrase_in(folded(name), STAGE_WORDS)[1] or ("printing" if "station" in plan.matches else "")
        ask = f"no column says the stage: {f'is every row {stage}?' if stage else 'which is it?'}"
        plan.say("defaults", "stage", stage, "", ask, off=not stage)


def _say_units(plan: Proposal, wide: dict[str, list[Seen]]) -> None:
    lasted = _lasted(plan)
    for ours, match in plan.matches.items():
        if column_of(plan.kind, ours).kind == "number" and dimension(ours) in UNITS:
            column = plan.column(match.theirs[0])
            _say_unit(plan, ours, column, lasted if ours == "work_min" else ())
    single = {stage: group[0] for stage, group in wide.items() if len(group) == 1}
    if len({(column.shape, column.unit) for column in single.values()}) == 1:
        cells = tuple(cell for column in single.values() for cell in column.filled)
        single = {"work_min": replace(next(iter(single.values())), cells=cells)}
    for key, column in single.items():
        _say_unit(plan, "work_min", column, (), key)


def _say_unit(plan: Proposal, ours: str, column: Seen, lasted: Iterable[float | None], key: str = "") -> None:
    """key : stage of a sheet with a column for each, where their units differ"""
    key, lasted = key or ours, list(lasted)
    cells = column.cells if lasted else column.filled
    unit, why, ask = unit_of(ours, column.shape, cells, column.unit, plan.decimal, lasted)
    ours_unit = dimension(ours).replace("share", "1")
    if unit or ask or why:
        plan.say("units", key, unit or ours_unit, why, ask and f"{key}: {ask.removeprefix(ours + ': ')}", off=not unit)


def _say_words(plan: Proposal, machines: Mapping[str, str]) -> None:
    by_machine = {machine.lower(): process for machine, process in machines.items()}
    ways: dict[str, tuple[str, Callable[[str], str]]] = {
        "stage": ("stages", stage_of),
        "process": ("processes", lambda word: by_machine.get(word.lower()) or process_of(word)),
        "outcome": ("words.outcome", outcome_of),
    }
    for ours, match in plan.matches.items():
        column = column_of(plan.kind, ours)
        if column.kind == "word":
            section, known = ways.get(ours, (f"words.{ours}", lambda word, words=column.words: word_of(word, words)))
        elif ours in ways:
            section, known = ways[ours]
        else:
            continue
        _say_words_of(plan, plan.column(match.theirs[0]), section, known, column.words)


def _say_names(plan: Proposal, known: Mapping[str, Iterable[str]]) -> None:
    """Names that are those of the shop file but for capitals, blanks and hyphens."""
    for ours, ids in known.items():
        cells = Counter(plan.joined(plan.matches[ours].theirs) if ours in plan.matches else ())
        for cell, count in cells.items():
            if (name := word_of(cell, ids)) not in ("", cell):
                plan.say(
                    f"words.{ours}", cell, name, f"{count} {'row' if count == 1 else 'rows'}; so the shop file has it"
                )


def _say_words_of(
    plan: Proposal, column: Seen, section: str, known: Callable[[str], str], ours_words: Iterable[str]
) -> None:
    allowed = STAGES if section == "stages" else PROCESSES if section == "processes" else ours_words
    spelled = {cell.lower(): cell for cell in reversed(column.filled)}
    for word, count in Counter(cell.lower() for cell in column.filled).most_common(MOST_WORDS):
        ours, rows = known(word), f"{count} {'row' if count == 1 else 'rows'}"
        if not ours:
            which = (
                f"; one of {', '.join(allowed)}"
                if not any(line.section == section and line.off for line in plan.lines)
                else ""
            )
            plan.say(section, spelled[word], "", rows + which, f'what is "{spelled[word]}" ({rows})?', off=True)
        elif ours.lower() != word:
            why, ask = why_stage(word, ours) if section == "stages" else ("", "")
            question = f'is "{spelled[word]}" ({rows}) {ours}? {ask}' if ask else ""
            plan.say(section, spelled[word], ours, f"{rows}{why}", question)
