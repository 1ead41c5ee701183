"""Words in logs: are they ours, and if not, what is nearest? What a library says, as the end of a sentence of ours."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from calib.records import STAGES
from calib.spelling import nearest, spelled_alike


def stage_problem(word: str, shop_stages: Iterable[str] = ()) -> str:
    """'' for a stage, or stages joined by +, that are known; else what is wrong and what is nearest.

    shop_stages : stages that the shop added

    >>> stage_problem("breakout+part_cleaning"), stage_problem("cool down")
    ('', 'is no stage; did you mean cool_down?')
    """
    known = list(dict.fromkeys([*STAGES, *shop_stages]))
    parts = word.split("+")
    unknown = [part for part in parts if part not in known]
    if not unknown:
        return "names one stage twice" if len(set(parts)) < len(parts) else ""
    near = nearest(unknown[0], known)
    what = "is no stage" if len(parts) == 1 else f'holds "{unknown[0]}", which is no stage'
    return f"{what}; did you mean {' or '.join(near)}?" if near else f"{what}; known stages: {', '.join(known)}"


LIBRARYS_KIND = re.compile(r"^[\w ]*(Error|Exception): ")


def library_says(error: Exception) -> str:
    """What a library says is wrong, as the end of a sentence of ours: one printable line, no full stop.

    >>> library_says(ValueError("Some Input Error: no type: \\x0f.\\nmore"))
    'no type: ?'
    """
    line = (str(error).strip().splitlines() or [type(error).__name__])[0][:200]
    line = LIBRARYS_KIND.sub("", line)
    return "".join(letter if letter.isprintable() else "?" for letter in line).rstrip(" .:")


MOST = 5  # names of one sort that are listed one by one
Seen = Iterable[tuple[str, str, int, str]]


def strange_names(column: str, seen: Seen, known: Mapping[str, str]) -> Iterator[str]:
    """
    column : 'machine' or 'material'
    seen : name, process, number of builds and the first of them
    known : id -> process of those that the shop file has

    >>> list(strange_names("material", [("PLA", "MEX", 1, "B1"), ("Plaa", "MEX", 1, "B2")], {"pla": "MEX"}))
    ['Material "PLA" is read as pla.', 'Material "Plaa" is not in the shop file: the defaults of its process are used. Did you mean pla?']
    """
    seen = list(seen)
    meant = {name: spelled_alike(name, known) for name, *_ in seen}
    yield from (
        f'{column.capitalize()} "{name}" is read as {own}.' for name, own in meant.items() if own not in (name, None)
    )
    unknown = [name for name, own in meant.items() if own is None]
    for name in unknown[:MOST]:
        near = nearest(name, known)
        perhaps = f" Did you mean {' or '.join(near)}?" if near else ""
        yield f'{column.capitalize()} "{name}" is not in the shop file: the defaults of its process are used.{perhaps}'
    if len(unknown) > MOST:
        yield f"{len(unknown) - MOST} more that the shop file lacks are named as {column}."
    for name, process, builds, first in seen:
        own = known.get(meant[name] or "", process)
        if process != own:
            which = f"Build {first} is" if builds == 1 else f"{builds} builds (the first is {first}) are"
            where = (
                f"on {name}, which is a {own} machine" if column == "machine" else f"of {name}, a material for {own}"
            )
            yield f"{which} {process} {where}: look at {column} and process."
