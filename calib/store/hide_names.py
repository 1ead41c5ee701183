"""Rows that were set aside without the names of people in them, wherever in the row they stand."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from functools import cached_property

import duckdb

from calib.logs.columns import KINDS
from calib.logs.names import is_of_people, name_pattern, word_pattern, words_of
from calib.logs.trade_words import folded
from calib.store.change_column import change_column
from calib.store.known_people import LONGEST_NAME, People, alias_of, is_alias

FREE_TEXTS = ("note", "what", "extra")  # columns of logs in which people write what they like; 'extra' is JSON
IDS = {column.name for columns in KINDS.values() for column in columns} - set(FREE_TEXTS)
_WORDS = {"stage", "process", "outcome", "ended_by", "finish", "difficulty"}  # of calib's own, however they are spelled
_NO_NAMES = {"yes", "no", "true", "false", "none", "null", "nan", "unknown", "tbd", "ja", "nein", "oui", "non", "si"}


class RowHider:
    """Hides people in rows of a file.

    mode : 'off' or 'alias'; columns : of the file
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, mode: str, columns: Iterable[str]) -> None:
        self.con, self.people = con, People(con, mode)
        self.has_people = any(map(is_of_people, columns))

    def hidden(self, row: dict[str, str], is_shifted: bool = False) -> dict[str, str]:
        """The row without names.

        is_shifted : its cells may stand under headings of others: then what looks like a name is taken for one
        """
        own = [value for name, value in row.items() if is_of_people(name) and _is_name(value)]
        pattern = name_pattern([word for name in own for word in (name, *words_of(name))])
        alias = self._alias(own[0]) if own else ""
        row = {name: self._cell(name, value) for name, value in row.items()}
        row = {name: pattern.sub(alias, value) if name not in IDS else value for name, value in row.items()}
        if not (is_shifted and self.has_people):
            return row
        return {name: value if name in _WORDS else self._guessed(value) for name, value in row.items()}

    def _cell(self, column: str, value: str) -> str:
        if is_of_people(column):
            return self._alias(value) if _is_name(value) else value
        return _without_known(self.people, column, value)

    def _alias(self, name: str) -> str:
        name = name.strip()
        return self.people.shown(name if is_alias(name) else alias_of(name, self.people.key))

    def _guessed(self, value: str) -> str:
        """A cell, or each of those of a line that could not be taken apart, that looks like a name, replaced."""
        pieces = re.split(r"([,;|\t]\s*)", value)
        return "".join(self._alias(piece) if self._looks_like_name(piece) else piece for piece in pieces)

    def _looks_like_name(self, text: str) -> bool:
        """Somebody known, or two words or more with capitals: any other word has to be seen to be mended."""
        words = word_pattern().findall(text)
        if not 0 < len(words) <= LONGEST_NAME or not _is_name(text) or folded(text) in self._lab_words:
            return False
        return bool(self.people.whole_name(text)) or (
            len(words) > 1 and all(word[0] == word[0].upper() for word in words)
        )

    @cached_property
    def _lab_words(self) -> set[str]:
        """What good rows hold that names nobody: machines, stations, materials, words of the columns."""
        rows = self.con.execute(
            "SELECT machine FROM build UNION SELECT material FROM build UNION SELECT station FROM stage_run UNION "
            "SELECT machine FROM event UNION SELECT station FROM event UNION SELECT stage FROM stage_run"
        ).fetchall()
        ours = {word for columns in KINDS.values() for column in columns for word in (column.name, *column.words)}
        return {folded(word) for word in {*(name for (name,) in rows if name), *ours}} | _NO_NAMES


def _is_name(text: str) -> bool:
    """Whether a text can be a name: letters, no digit."""
    return (bool(word_pattern().search(text)) and not re.search(r"\d", text)) or is_alias(text.strip())


def hide_set_aside(con: duckdb.DuckDBPyConnection, people: People) -> None:
    """Names that became known after a row was set aside are hidden in it too."""
    change_column(con, "quarantine", "row_text", lambda text: _row_without(people, text))
    ids = f"column_name IN ({', '.join(map(repr, sorted(IDS)))})"
    change_column(con, "quarantine", "value", people.hidden, f"NOT {ids}")
    change_column(con, "quarantine", "value", lambda text: _without_known(people, "station", text), ids)


def _row_without(people: People, text: str) -> str:
    row = {name: _without_known(people, name, value) for name, value in json.loads(text).items()}
    return json.dumps(row, ensure_ascii=False)


def _without_known(people: People, column: str, value: str) -> str:
    """A cell without the people whom the store knows: in a column of ids, only where it is somebody's whole name."""
    if column not in IDS:
        return people.hidden(value)
    alias = people.whole_name(value)
    return people.shown(alias) if alias else value
