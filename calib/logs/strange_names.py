"""Machines and materials of builds that the shop file lacks, or has for another process, as sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from calib.logs.words import nearest
from calib.spelling import spelled_alike

MOST = 5  # names of one sort that are told one by one
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
