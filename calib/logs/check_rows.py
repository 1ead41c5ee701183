"""The rules that rows of a log must obey, as data: column, predicate, sentence.

A predicate is SQL that is true for a *bad* row, over the typed columns; ``<column>__text`` is what stood in the cell.
The store runs them over staged rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from calib.calendar.written_time import FIRST_YEAR, LAST_YEAR
from calib.logs.columns import KINDS, Column

MOST_IDS = 1000  # joined by + in one cell: no load holds more
SMALLEST, LARGEST = (
    1e-9,
    1e12,
)  # of a number that was measured or counted, whatever its unit; common practice, no source
# Of a run that neither began at a known time nor has its day and minutes.
NO_TIMES = (
    "(started_at IS NULL AND coalesce(outcome, 'done') <> 'skipped'"
    " AND (work_min IS NULL OR (date IS NULL AND ended_at IS NULL)))"
)


@dataclass(frozen=True)
class Rule:
    """name : for scripts; column : whose value is shown, or '' for the row; bad : SQL; sentence : what is allowed.

    needs : columns without which the rule says nothing: where one of them breaks a rule of its own, only that one is reported
    """

    name: str
    column: str
    bad: str
    sentence: str
    needs: tuple[str, ...] = ()


def rules_for(kind: str) -> tuple[Rule, ...]:
    """All rules of a kind, columns first, then those over several columns."""
    return (
        Rule("row shape", "", "fault IS NOT NULL", "{fault}"),
        *(rule for column in KINDS[kind] for rule in _column_rules(column)),
        *ROW_RULES.get(kind, ()),
    )


def _column_rules(column: Column) -> Iterator[Rule]:
    name, text = column.name, f"{column.name}__text"
    if column.needed:
        yield Rule("needed", name, f"{text} IS NULL", "is empty, and is needed")
    if name in ("build_id", "order_id", "quote_id"):
        many = f"length({text}) - length(replace({text}, '+', '')) >= {MOST_IDS}"
        yield Rule("ids", name, many, f"names more than {MOST_IDS:,} ids joined by +")
    unread = f'"{name}" IS NULL AND {text} IS NOT NULL'
    match column.kind:
        case "number":
            yield Rule(
                "number", name, unread, "is not a number; write it with a point and without thousands separators"
            )
            yield from _range_rules(column)
        case "stamp":
            yield Rule(
                "time stamp",
                name,
                unread,
                "is not a time; write it as 2026-11-20T08:30, or say its format in a mapping",
            )
            yield Rule(
                "year",
                name,
                f'year("{name}") NOT BETWEEN {FIRST_YEAR} AND {LAST_YEAR}',
                f"is not between the years {FIRST_YEAR} and {LAST_YEAR}",
            )
        case "date":
            yield Rule("date", name, unread, "is not a day; write it as 2026-11-20, or say its format in a mapping")
            yield Rule(
                "year",
                name,
                f'year("{name}") NOT BETWEEN {FIRST_YEAR} AND {LAST_YEAR}',
                f"is not between the years {FIRST_YEAR} and {LAST_YEAR}",
            )
        case "flag":
            yield Rule("true or false", name, unread, "is neither true nor false")
        case "process":
            yield Rule("process", name, unread, "is no process; write MEX, VPP or PBF")
        case "stage":
            yield Rule("stage", name, f"{name} IS NULL AND {text} IS NOT NULL", "{stage}")
        case "word":
            yield Rule("word", name, unread, f"is none of {', '.join(column.words)}")


def _range_rules(column: Column) -> Iterator[Rule]:
    name = column.name
    odd_size = f"abs({name}) > {LARGEST} OR (abs({name}) < {SMALLEST} AND {name} <> 0)"
    yield Rule("size", name, odd_size, "is of no size that anything here can have; look at its unit")
    if column.above is not None:
        yield Rule("range", name, f"{name} <= {column.above}", f"must be above {column.above:g}")
    if column.low is not None:
        yield Rule("range", name, f"{name} < {column.low}", f"must be {column.low:g} or more")
    if column.high is not None:
        yield Rule("range", name, f"{name} > {column.high:g}", f"must be {column.high:g} or less; look at its unit")
    if column.whole:
        yield Rule("whole number", name, f"{name} <> floor({name})", "must be a whole number")


ROW_RULES: dict[str, tuple[Rule, ...]] = {
    "stages": (
        Rule("build or order", "build_id", "build_id IS NULL AND order_id IS NULL", "is empty, and so is order_id"),
        Rule(
            "time",
            "started_at",
            f"started_at__text IS NULL AND run_id IS NULL AND {NO_TIMES}",  # a run_id may name a run that has begun
            "is empty: a run needs started_at (and ended_at once it has ended), or date and work_min",
            ("started_at", "ended_at", "date", "work_min"),
        ),
        Rule("end after start", "ended_at", "ended_at <= started_at", "is not after started_at"),
        Rule(
            "pauses shorter than the run",
            "paused_min",
            "paused_min >= epoch(ended_at - started_at) / 60 AND ended_at > started_at",
            "is not less than the minutes from started_at to ended_at",
        ),
        Rule("good parts", "parts_good", "parts_good > parts", "is more than parts"),
        Rule(
            "longer than 100 days",
            "ended_at",
            "ended_at > started_at + INTERVAL 100 DAY",
            "is more than 100 days after started_at: is its year right?",
        ),
    ),
    "items": (Rule("good pieces", "qty_good", "qty_good > qty", "is more than qty"),),
}
