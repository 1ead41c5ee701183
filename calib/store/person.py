"""One person in a store: who is one, and every cell in which they stand taken out of their name."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import duckdb

from calib.documents.store import Place
from calib.logs.names import change_texts, is_of_people, name_pattern, plain_spelling, spellings, words_of
from calib.logs.trade_words import folded
from calib.records import PROCESS_WORDS, STAGES
from calib.store.change_column import change_column
from calib.store.hide_names import FREE_TEXTS, IDS
from calib.store.known_people import ALPHABET, alias_of, find_key, is_alias
from calib.store.tables import TABLE_OF, quoted

FORGOTTEN = "forgotten"
TYPED = [f"{table}{suffix}" for table in TABLE_OF.values() for suffix in ("", "_history")]
# Where people write what they like, or calib repeats it: there every word of a name is looked for.
FREE = {*FREE_TEXTS, "verdict_note", "reason", "says"}
# Columns that hold words of calib's own; nobody is looked for there.
OWN_WORDS = {"process", "stage", "kind", "rule", "state", "outcome", "ended_by", "finish", "difficulty", "dtype", "zone",
             "calib_version", "table_name", "column_name", "basis", "sha256", "version", "shop_version", "word_digest",
             "read_as"}  # fmt: skip
# A run whose cells stand a column too far left: its station is a person.
SHIFTED = r"coalesce(NOT regexp_matches(operator, '\pL'), false)"


@dataclass(frozen=True)
class Person:
    """names : as written anywhere; aliases : of all of them; lab_words : folded names of the lab's things that are no person"""

    names: frozenset[str]
    aliases: frozenset[str]
    lab_words: frozenset[str]

    @property
    def shown(self) -> str:
        return min(self.aliases, default="") or min(self.names)

    @property
    def whole(self) -> set[str]:
        turned = {f"{last}, {first}" for first, last in map(_two_words, self.names) if last}
        return {*self.names, *self.aliases, *turned}

    @property
    def is_thing(self) -> bool:
        """Whether a name is also that of a thing of the lab, or none has a letter: then it is a person only where people stand."""
        has_letter = any(re.search(r"[^\W\d_]", name) for name in self.names)
        return not has_letter or any(folded(name) in self.lab_words for name in self.names)

    @cached_property
    def in_ids(self) -> re.Pattern[str]:
        return name_pattern(self.aliases)

    @cached_property
    def in_texts(self) -> re.Pattern[str]:
        return self.in_ids if self.is_thing else name_pattern(self.whole)

    @cached_property
    def in_free_texts(self) -> re.Pattern[str]:
        words = {word for name in self.names for word in words_of(name) if not is_alias(name)}
        kept = {word for word in words if folded(word) not in self.lab_words}
        return self.in_ids if self.is_thing else name_pattern({*self.whole, *kept})

    def is_one(self, text: str) -> bool:
        plain = plain_spelling(text)
        return any(plain == plain_spelling(name) for name in (*self.names, *self.aliases))


def _two_words(name: str) -> tuple[str, str]:
    first, _, last = name.strip().partition(" ")
    return (first, last.strip()) if last and " " not in last.strip() else (first, "")


def find_person(con: duckdb.DuckDBPyConnection, name: str) -> Person | None:
    """The person whom rows of the store hold under this name or alias; None where none does.

    What only rows hold that were set aside is nobody where it is the name of a machine, a station, a material ...
    """
    key = find_key(con)
    names = {name} if is_alias(name) else spellings(name)
    aliases = {name} if is_alias(name) else {alias_of(written, key) for written in names if key}
    wanted = {plain_spelling(written) for written in (*names, *aliases)}
    known = {alias for (alias,) in con.execute("SELECT DISTINCT alias FROM person WHERE whole").fetchall()}
    lab_words = frozenset(_lab_words(con))
    held = {plain_spelling(written) for written in _people_in_rows(con)}
    if folded(name) not in lab_words:
        held |= {plain_spelling(written) for written in _people_set_aside(con)}
    known_names = {plain_spelling(written) for written in known} | held
    if not wanted & known_names:
        return None
    return Person(
        frozenset(written for written in names if plain_spelling(written) in known_names or not is_alias(written)),
        frozenset(written for written in aliases if plain_spelling(written) in known_names),
        lab_words,
    )


def _people_in_rows(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    for table in ("stage_run", "stage_run_history"):
        yield from (
            operator for (operator,) in con.execute(f"SELECT DISTINCT operator FROM {table}").fetchall() if operator
        )
    for table in TYPED:
        for (extra,) in con.execute(f"SELECT DISTINCT extra FROM {table} WHERE extra IS NOT NULL").fetchall():
            yield from _people_of(json.loads(extra))


def _people_of(row: dict[str, Any]) -> Iterator[str]:
    yield from (value for column, value in row.items() if is_of_people(column) and isinstance(value, str))


def _people_set_aside(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    for (row,) in con.execute("SELECT DISTINCT row_text FROM quarantine").fetchall():
        yield from _people_of(json.loads(row))
        yield from re.findall(rf"P-[{ALPHABET}]{{6}}", row)


def _lab_words(con: duckdb.DuckDBPyConnection) -> set[str]:
    """Ids, machines, materials, stations, parts, stages and processes, folded."""
    words = {*STAGES, *PROCESS_WORDS}
    for table, column, _ in _text_columns(con):
        if table in TYPED and column in IDS and not is_of_people(column):
            where = f"NOT {SHIFTED}" if column == "station" and table.startswith("stage_run") else "true"
            rows = con.execute(f"SELECT DISTINCT {quoted(column)} FROM {table} WHERE {where}").fetchall()
            words |= {word for (word,) in rows if word}
    return {folded(word) for word in words if not is_alias(word)}


def take_out(con: duckdb.DuckDBPyConnection, person: Person) -> list[Place]:
    """Change every cell that holds the person; returns where, and how many."""
    con.execute("DELETE FROM person WHERE alias IN (SELECT unnest(?::VARCHAR[]))", [sorted(person.aliases)])
    places: list[Place] = [
        {"table": table, "column": column, "cells": cells}
        for table, column, _ in _text_columns(con)
        if (cells := _take_out_of(con, person, table, column))
    ]
    for table in ("stage_run", "stage_run_history"):  # several who are forgotten are not one person
        con.execute(f"UPDATE {table} SET operator = NULL WHERE operator = '{FORGOTTEN}'")
    return places


def _text_columns(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str]]:
    columns = con.execute(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal AND database_name = current_database()"
        " AND schema_name = 'main' AND data_type IN ('VARCHAR', 'VARCHAR[]') ORDER BY ALL"
    ).fetchall()
    return [
        column
        for column in columns
        if column[1] not in OWN_WORDS and column[0] not in ("schema_version", "setting", "person", "changed")
    ]


def _take_out_of(con: duckdb.DuckDBPyConnection, person: Person, table: str, column: str) -> int:
    if table == "fit_checkpoint":
        return _drop_checkpoints(con, person)
    if table == "fit_column":
        where = "column_name = 'operator'"
        cells = change_column(con, table, column, lambda text: FORGOTTEN if person.is_one(text) else text, where)
        return cells + change_column(con, table, column, lambda text: person.in_texts.sub(FORGOTTEN, text))
    if table == "quarantine" and column == "value":
        ids = f"column_name IN ({', '.join(map(repr, sorted(IDS)))})"
        cells = change_column(
            con, table, column, lambda text: _cell(person, "operator", text), "column_name = 'operator'"
        )
        cells += change_column(con, table, column, lambda text: _cell(person, "station", text), ids)
        return cells + change_column(con, table, column, lambda text: _cell(person, "note", text), f"NOT {ids}")
    if column in ("extra", "row_text", "summary", "document", "inputs", "options"):
        return change_column(con, table, column, lambda text: _json(person, column, text))
    if column == "station" and table.startswith("stage_run"):
        cells = change_column(con, table, column, lambda text: FORGOTTEN if person.is_one(text) else text, SHIFTED)
        return cells + change_column(con, table, column, lambda text: _cell(person, column, text))
    if column == "row_key" and table.startswith("event"):  # it holds the event's text
        return change_column(con, table, column, lambda text: _cell(person, "what", text))
    name = column if column in FREE or column in IDS or table in TYPED else f"{table} {column}"
    return change_column(con, table, column, lambda text: _cell(person, name, text))


def _drop_checkpoints(con: duckdb.DuckDBPyConnection, person: Person) -> int:
    """What the last fit knew at the ends of weeks is a store of names too; the next fit makes it again."""
    rows = con.execute("SELECT texts FROM fit_checkpoint WHERE texts IS NOT NULL").fetchall()
    if not any(person.in_texts.search(text) for (texts,) in rows for text in texts if text):
        return 0
    row = con.execute("DELETE FROM fit_checkpoint").fetchone()
    return int(row[0]) if row else 0


def _json(person: Person, column: str, text: str) -> str:
    """A JSON text: of a row, by its columns; of another document, in every text; an empty one is none."""
    if not text:
        return text
    old = json.loads(text)
    rows = column in ("extra", "row_text")
    new = change_texts(old, lambda key, value: _cell(person, key if rows else "document", value))
    return text if old == new else json.dumps(new, ensure_ascii=False)


def _cell(person: Person, column: str, text: str) -> str:
    """A cell without the person: as a whole where people stand and in ids, in any words elsewhere."""
    if is_of_people(column):
        return FORGOTTEN if person.is_one(text) else person.in_free_texts.sub(FORGOTTEN, text)
    if column in IDS or column == "row_key":
        is_person = person.is_one(text) and not person.is_thing  # in a row set aside whose cells are shifted
        return FORGOTTEN if is_person else person.in_ids.sub(FORGOTTEN, text)
    if " " in column or column == "document":
        return person.in_texts.sub(FORGOTTEN, text)
    return person.in_free_texts.sub(FORGOTTEN, text)
