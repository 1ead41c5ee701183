"""Which mapping reads a table: the one whose columns the table has. Nothing here is a guess."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from calib.errors import LogFileError
from calib.logs.columns import is_log_of, kind_of
from calib.logs.mapping import Mapping
from calib.logs.source import Source

TOLD = 3  # mappings of which is said why they do not fit


def choose(mappings: Iterable[Mapping], table: Source, shown: str) -> list[Mapping]:
    """The mappings that read a table: for each kind of log the one whose columns it has; none where none fits.

    A mapping of which some columns are missing reads a table that no other fits and that is no log by itself, as long as
    the columns that each row needs are there. Raises LogFileError where two of one kind fit.
    """
    offered = [one for one in mappings if one.sheet is None or table.sheet in (None, one.sheet)]
    whole = [
        one for one in offered if not one.missing(table.names) and (one.source_names or one.sheet or table.is_likely)
    ]
    fit = [one for one in whole if not any(_is_part_of(one, other, table) for other in whole)]
    if not fit and not table.kind:
        fit = [one for one in offered if _is_enough(one, table)]
    by_kind = sorted(fit, key=lambda one: _kind(one, table) or "")
    return [_only(list(several), shown) for _, several in groupby(by_kind, key=lambda one: _kind(one, table))]


def _kind(mapping: Mapping, table: Source) -> str | None:
    return mapping.kind or kind_of(mapping.names_for(table.names))


def _is_part_of(one: Mapping, other: Mapping, table: Source) -> bool:
    """Whether another mapping of the same kind has all its columns and more: then that one was made for the table."""
    same = not one.source_names or _kind(one, table) == _kind(other, table)
    return same and one.source_names < other.source_names


def _is_enough(mapping: Mapping, table: Source) -> bool:
    if mapping.missing(table.names) == mapping.source_names:
        return False
    kind = _kind(mapping, table)
    return kind is not None and is_log_of(kind, mapping.names_for(table.names))


def _only(several: Sequence[Mapping], shown: str) -> Mapping:
    if len(several) > 1:
        named = " and ".join(str(one.name) for one in several)
        raise LogFileError(
            f"{shown} has the columns of {len(several)} mappings, {named}.",
            "Name the right one with --map, or take the other one out of the shop's folder maps.",
        )
    return several[0]


def why_none(mappings: Sequence[Mapping], tables: Sequence[Source]) -> Iterator[str]:
    """Why no mapping fits: for each of the first ones, what the likeliest table lacks of it."""
    table = next((one for one in tables if one.is_likely), tables[0])
    for one in mappings[:TOLD]:
        if one.sheet and one.sheet not in [table.sheet for table in tables]:
            yield f'{one.name or "the mapping"} is for a sheet "{one.sheet}", and it has {_listed(table.sheet or "" for table in tables)}'
        else:
            yield f"{one.name or 'the mapping'} names {_listed(sorted(one.missing(table.names)))}, which it lacks"
    if len(mappings) > TOLD:
        yield f"nor do {len(mappings) - TOLD} others"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
