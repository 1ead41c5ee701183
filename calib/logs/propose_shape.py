"""Whether a foreign file has one row for a build with columns for each stage, or one row for each start and stop."""

from __future__ import annotations

from calib.logs.look import Seen
from calib.logs.propose_words import event_of
from calib.logs.trade_words import HEADINGS, STAGE_WORDS, phrase_in

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
    found = {}
    for stage, roles in groups.items():
        if START in roles and END in roles:
            found[stage] = [roles[START], roles[END]]
        elif LASTING in roles:
            found[stage] = [roles[LASTING]]
    return found


def wide_stages(columns: list[Seen]) -> dict[str, list[Seen]]:
    """``stage_columns``; {} where fewer than two stages have any."""
    found = stage_columns(columns)
    return found if len(found) > 1 else {}


def _stage_and_role(column: Seen) -> tuple[str, str]:
    """The stage in a heading and what the column says of it; ('', '') where its cells are no times."""
    phrase, stage = phrase_in(column.heading, STAGE_WORDS)
    rest = f" {column.heading} ".replace(f" {phrase} ", " ").strip()
    if not stage:
        stage, rest = _compound(column.heading)
    said = phrase_in(rest, _ROLES)[1]
    if not stage or (rest and not said) or column.shape not in ("stamp", "clock", "number", "duration"):
        return "", ""
    lasts = said in ("", LASTING) and column.shape != "stamp"
    timed = said in (START, END) and column.shape in ("stamp", "clock")
    return (stage, LASTING if lasts else said) if lasts or timed else ("", "")


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
