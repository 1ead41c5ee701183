"""Machines and materials of builds that the shop file lacks, or has for another process, as sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from calib.logs.words import nearest

MOST = 5  # names of one sort that are told one by one
Seen = Iterable[tuple[str, str, int, str]]


def strange_names(column: str, seen: Seen, known: Mapping[str, str]) -> Iterator[str]:
    """
    column : 'machine' or 'material'
    seen : name, process, number of builds and the first of them
    known : id -> process of those that the shop file has

    >>> list(strange_names("material", [("Plaa", "MEX", 1, "B1")], {"pla": "MEX"}))
    ['Material "Plaa" is not in the shop file: the defaults of its process are used. Did you mean pla?']
    """
    seen = list(seen)
    unknown = [name for name in dict.fromkeys(name for name, *_ in seen) if name not in known]
    for name in unknown[:MOST]:
        near = nearest(name, known)
        meant = f" Did you mean {' or '.join(near)}?" if near else ""
        yield f'{column.capitalize()} "{name}" is not in the shop file: the defaults of its process are used.{meant}'
    if len(unknown) > MOST:
        yield f"{len(unknown) - MOST} more that the shop file lacks are named as {column}."
    for name, process, builds, first in seen:
        own = known.get(name, process)
        if process != own:
            which = f"Build {first} is" if builds == 1 else f"{builds} builds (the first is {first}) are"
            where = (
                f"on {name}, which is a {own} machine" if column == "machine" else f"of {name}, a material for {own}"
            )
            yield f"{which} {process} {where}: look at {column} and process."
