"""Which mapping reads a table: the one whose columns the table has. Nothing here is a guess."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from calib.errors import LogFileError
from calib.logs.columns import is_log_of, kind_of
from calib.logs.mapping import Mapping
from calib.logs.source import Source


def choose(mappings: Iterable[Mapping], table: Source, shown: str) -> list[Mapping]:
    """The mappings that read a table: for each kind of log the one whose columns it has; none where none fits.

    A mapping of which some columns are missing reads a table that no other fits and that is no log by itself, as long as
    the columns that each row needs are there. Raises LogFileError where two of one kind fit.
    """
    offered = [mapping for mapping in mappings if mapping.sheet is None or table.sheet in (None, mapping.sheet)]
    whole = [
        mapping
        for mapping in offered
        if not mapping.missing(table.names) and (mapping.source_names or _is_of_kind(mapping, table))
    ]
    fit = [mapping for mapping in whole if not any(_is_part_of(mapping, other, table) for other in whole)]
    if not fit and not table.kind:
        fit = [mapping for mapping in offered if _is_enough(mapping, table)]
    by_kind = sorted(fit, key=lambda mapping: _kind(mapping, table) or "")
    return [_only(list(several), shown) for _, several in groupby(by_kind, key=lambda mapping: _kind(mapping, table))]


def _kind(mapping: Mapping, table: Source) -> str | None:
    return mapping.kind or kind_of(mapping.names_for(table.names))


def _is_of_kind(mapping: Mapping, table: Source) -> bool:
    """Whether a mapping that names no columns, only words, units or what is always so, may be meant for the table."""
    is_meant = mapping.sheet is not None or table.is_likely
    return is_meant and kind_of(mapping.names_for(table.names)) in (None, _kind(mapping, table))


def _is_part_of(mapping: Mapping, other: Mapping, table: Source) -> bool:
    """Whether another mapping of the same kind has all its columns and more: then that one was made for the table."""
    same = not mapping.source_names or _kind(mapping, table) == _kind(other, table)
    return same and mapping.source_names < other.source_names


def _is_enough(mapping: Mapping, table: Source) -> bool:
    if mapping.missing(table.names) == mapping.source_names:
        return False
    kind, names = _kind(mapping, table), mapping.names_for(table.names)
    return kind is not None and is_log_of(kind, names) and mapping.can_tell_runs(table.names)


def _only(several: Sequence[Mapping], shown: str) -> Mapping:
    if len(several) > 1:
        named = " and ".join(str(mapping.name) for mapping in several)
        raise LogFileError(
            f"{shown} has the columns of {len(several)} mappings, {named}.",
            "Name the right one with --map, or take the other one out of the shop's folder maps.",
        )
    return several[0]


def why_none(mappings: Sequence[Mapping], tables: Sequence[Source]) -> list[str]:
    """Why no mapping fits: what the likeliest table lacks of the one that comes nearest; empty where there are no mappings."""
    if not mappings:
        return []
    table = next(source for source in tables if source.is_likely)
    near = max(mappings, key=lambda mapping: len(mapping.source_names) - len(mapping.missing(table.names)))
    if table.sheet and near.sheet and near.sheet not in [source.sheet for source in tables]:
        sheets = _listed(source.sheet or "" for source in tables)
        return [f'{near.name or "the mapping"} is for a sheet "{near.sheet}", and it has {sheets}']
    missing = near.missing(table.names)
    if missing == near.source_names and len(mappings) > 1:
        return [f"none of {len(mappings)} mappings names any of them"]
    named = (
        f"the nearest of {len(mappings)} mappings, {near.name}," if len(mappings) > 1 else near.name or "the mapping"
    )
    return [f"{named} names {_listed(sorted(missing))}, which it lacks"]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
