"""The log tables of calib as data: which columns each kind has, their types, ranges and words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from calib.records import DIFFICULTIES, FINISHES, OUTCOMES, PROCESS_WORDS

ENDED_BY = ("machine", "person", "found")


@dataclass(frozen=True)
class Column:
    """One column of a log.

    kind : 'text', 'number', 'stamp', 'date', 'flag', 'process', 'stage' or 'word' (one of ``words``)
    low, high : least and greatest value, both allowed
    above : the value must be greater than this
    """

    name: str
    kind: str = "text"
    needed: bool = False
    low: float | None = None
    high: float | None = None
    above: float | None = None
    whole: bool = False
    words: tuple[str, ...] = ()


def _number(name: str, low: float | None = None, above: float | None = None, high: float | None = None) -> Column:
    return Column(name, "number", low=low, above=above, high=high)


KINDS: dict[str, tuple[Column, ...]] = {
    "builds": (
        Column("build_id", needed=True),
        Column("process", "process", needed=True, words=tuple(PROCESS_WORDS)),
        Column("machine", needed=True),
        Column("parts", "number", needed=True, low=1, high=1e6, whole=True),
        Column("material"),
        Column("material_lot"),
        _number("fresh_share", low=0, high=1),
        _number("layer_mm", above=0, high=10),
        Column("part_file"),
        Column("path_file"),
        _number("part_volume_cm3", above=0, high=1e7),
        _number("part_area_cm2", above=0, high=1e8),
        _number("support_volume_cm3", low=0, high=1e7),
        _number("support_contact_cm2", low=0, high=1e8),
        _number("height_mm", above=0, high=1e4),
        _number("packed_volume_cm3", above=0, high=1e7),
        _number("announced_min", above=0, high=1e5),
        _number("material_g", above=0, high=1e7),
        _number("material_ml", above=0, high=1e7),
        Column("layers", "number", low=1, high=1e6, whole=True),
        _number("infill", low=0, high=100),
        _number("nozzle_mm", above=0, high=20),
        _number("exposure_s", above=0, high=1e4),
        Column("difficulty", "word", words=DIFFICULTIES),
        Column("finish", "word", words=FINISHES),
        Column("planned", "flag"),
        Column("order_id"),
        Column("quote_id"),
    ),
    "stages": (
        Column("build_id"),
        Column("order_id"),
        Column("stage", "stage", needed=True),
        Column("started_at", "stamp"),
        Column("ended_at", "stamp"),
        Column("date", "date"),
        _number("work_min", above=0, high=1e5),
        Column("station"),
        Column("operator"),
        _number("crew_size", above=0, high=1000),
        _number("paused_min", low=0, high=1e6),
        _number("touch_min", low=0, high=1e5),
        Column("parts", "number", low=0, high=1e6, whole=True),
        Column("parts_good", "number", low=0, high=1e6, whole=True),
        Column("outcome", "word", words=OUTCOMES),
        Column("attempt", "number", low=1, high=1000, whole=True),
        Column("ended_by", "word", words=ENDED_BY),
        Column("run_id"),
        Column("note"),
    ),
    "items": (
        Column("build_id", needed=True),
        Column("order_id"),
        Column("quote_id"),
        Column("part_file"),
        Column("qty", "number", needed=True, low=1, high=1e6, whole=True),
        Column("qty_good", "number", low=0, high=1e6, whole=True),
        Column("finish", "word", words=FINISHES),
    ),
    "events": (
        Column("at", "stamp", needed=True),
        Column("machine"),
        Column("station"),
        Column("what", needed=True),
        Column("note"),
    ),
}

# What only a file of this kind has, the most telling first.
TELLING = {"stages": {"stage"}, "items": {"build_id", "qty"}, "events": {"at", "what"}, "builds": {"build_id"}}
AND_ONE_OF = {"stages": {"build_id", "order_id"}, "builds": {"process", "machine", "parts"}}
KNOWN_NAMES = {column.name for columns in KINDS.values() for column in columns}


def plain_name(text: str) -> str:
    """A column name as calib spells it: lower case, underscores.

    >>> plain_name(" Started at ")
    'started_at'
    """
    return "_".join(text.strip().strip("\ufeff").lower().replace("-", " ").split())


def kind_of(names: Iterable[str]) -> str | None:
    """The kind of a file from its columns, or None.

    >>> kind_of(["build_id", "stage", "started_at"]), kind_of(["build_id", "process", "machine", "parts"])
    ('stages', 'builds')
    """
    have = set(names)
    for kind, telling in TELLING.items():
        if telling <= have and (not AND_ONE_OF.get(kind) or have & AND_ONE_OF[kind]):
            return kind
    return None


def is_log_of(kind: str, names: Iterable[str]) -> bool:
    """Whether there are all the columns that a row of this kind cannot do without.

    >>> is_log_of("stages", ["order_id", "stage", "date"]), is_log_of("stages", ["build_id", "stage", "note"])
    (True, False)
    """
    have = set(names)
    whole = {column.name for column in KINDS[kind] if column.needed} <= have
    return whole and (kind != "stages" or bool(have & {"build_id", "order_id"} and have & {"started_at", "date"}))


def column_of(kind: str, name: str) -> Column:
    return next(column for column in KINDS[kind] if column.name == name)
