"""People by alias: the store knows digests of names, never the names."""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

from calib.logs.names import is_of_people, word_pattern, words_of
from calib.store.change_column import change_column
from calib.store.hide_names import FREE_TEXTS, hide_set_aside
from calib.store.known_people import ALPHABET, FIRST_OF, People, alias_of, digest_of, is_alias, made_key
from calib.store.staging_tables import StagingTables
from calib.store.tables import TABLE_OF

STAGED_RUNS = StagingTables("stages").staged
# What people write beside a command.
NOTES = (("review", "verdict_note"), ("quote", "note"), ("accepted_change", "note"))


def alias_people(con: duckdb.DuckDBPyConnection, kinds: Iterable[str], mode: str) -> None:
    """Replace people in ``staged_<kind>`` by aliases (``alias``) or by nothing (``off``).

    Customers and people that a kept column names are hidden like operators, and all of them in notes, events and kept
    columns: in those of this import, and in those that came before a name was known.
    """
    if mode == "named":
        return
    kinds = list(kinds)
    operators = _operators(con) if "stages" in kinds else []
    before = _known_digests(con)
    aliases = learn_names(con, operators + [name for kind in kinds for name in _kept_names(con, kind)])
    people = People(con, mode)
    if "stages" in kinds:
        _replace_shifted(con, people)
        _replace_operators(con, aliases, mode)
    for kind in kinds:
        _hide_in(con, StagingTables(kind).staged, people)
    if _known_digests(con) != before:
        for table in TABLE_OF.values():
            _hide_in(con, table, people)
            _hide_in(con, f"{table}_history", people)
        for table, column in NOTES:
            change_column(con, table, column, people.hidden)
        hide_set_aside(con, people)


def learn_names(con: duckdb.DuckDBPyConnection, names: Iterable[str]) -> dict[str, str]:
    """Aliases of names; new ones are remembered by digest."""
    key = made_key(con)
    known = _known_digests(con)
    aliases = {}
    rows: dict[str, tuple[str, str, bool]] = {}
    for name in names:
        aliases[name] = alias = name if is_alias(name) else alias_of(name, key)
        if not is_alias(name):
            for text, is_whole in [(name, True), *((word, False) for word in words_of(name)), *_first_of(name)]:
                digest = digest_of(text, key)
                if digest not in known:
                    rows.setdefault(digest, (digest, alias, is_whole))
    if rows:  # at once: a statement for each of many takes longer than all else with them
        con.execute(
            "INSERT INTO person SELECT unnest(?::VARCHAR[]), unnest(?::VARCHAR[]), unnest(?::BOOLEAN[])",
            [list(column) for column in zip(*rows.values(), strict=True)],
        )
    return aliases


def _first_of(name: str) -> list[tuple[str, bool]]:
    words = word_pattern().findall(name)
    return [(FIRST_OF + words[0], False)] if len(words) > 1 else []


def _known_digests(con: duckdb.DuckDBPyConnection) -> set[str]:
    return {row[0] for row in con.execute("SELECT word_digest FROM person").fetchall()}


def forget_older(con: duckdb.DuckDBPyConnection, months: int) -> int:
    """Take the person off runs that ended more than so many months before the last one.

    In the history, in notes and kept columns, and among the rows set aside too. Returns the number of runs.
    """
    before = f"(SELECT max(ended_at) - INTERVAL {int(months)} MONTH FROM stage_run)"
    row = con.execute(f"SELECT count(*) FROM stage_run WHERE operator IS NOT NULL AND ended_at < {before}").fetchone()
    for table in ("stage_run_history", "stage_run"):
        con.execute(f"UPDATE {table} SET operator = NULL WHERE operator IS NOT NULL AND ended_at < {before}")
        for column in ("note", "extra"):
            con.execute(_without_aliases(table, column, f"ended_at < {before}"))
    for table in ("event_history", "event"):
        for column in FREE_TEXTS:
            con.execute(_without_aliases(table, column, f'"at" < {before}'))
    old = f"file_id IN (SELECT file_id FROM log_file JOIN log_import USING (import_id) WHERE imported_at < {before})"
    for column in ("value", "row_text"):
        con.execute(_without_aliases("quarantine", column, old))
    return int(row[0]) if row else 0


def _without_aliases(table: str, column: str, where: str) -> str:
    alias = rf"'\bP-[{ALPHABET}]{{6}}\b'"
    return (
        f"UPDATE {table} SET {column} = regexp_replace({column}, {alias}, 'somebody', 'g') "
        f"WHERE regexp_matches({column}, {alias}) AND {where}"
    )


def without_names(con: duckdb.DuckDBPyConnection, value: str, mode: str) -> str:
    """A text that a person typed, as the shop's rule for names has it."""
    return value if mode == "named" else People(con, mode).hidden(value)


def _operators(con: duckdb.DuckDBPyConnection) -> list[str]:
    """What rows that break no rule hold as the person; in others anything may stand there."""
    rows = con.execute(f"SELECT DISTINCT operator FROM {STAGED_RUNS} WHERE operator IS NOT NULL AND NOT bad").fetchall()
    return [row[0] for row in rows]


def _kept_names(con: duckdb.DuckDBPyConnection, kind: str) -> list[str]:
    """What kept columns for customers and people hold."""
    kept = f"FROM {StagingTables(kind).staged} WHERE extra IS NOT NULL AND NOT bad"
    keys = con.execute(f"SELECT DISTINCT key FROM (SELECT unnest(json_keys(extra)) AS key {kept})").fetchall()
    paths = [f'$."{key}"' for (key,) in keys if is_of_people(key) and '"' not in key]
    rows = con.execute(f"SELECT DISTINCT unnest(json_extract_string(extra, ?::VARCHAR[])) {kept}", [paths]).fetchall()
    return [name for (name,) in rows if name and not all(map(is_alias, name.split()))]  # an export holds aliases


def _replace_operators(con: duckdb.DuckDBPyConnection, aliases: dict[str, str], mode: str) -> None:
    if mode == "off":
        con.execute(f"UPDATE {STAGED_RUNS} SET operator = NULL WHERE operator IS NOT NULL")
    else:
        change_column(con, STAGED_RUNS, "operator", lambda name: aliases.get(name, name))


def _replace_shifted(con: duckdb.DuckDBPyConnection, people: People) -> None:
    """A station that is somebody's name, in a row without one where it belongs: its cells stand a column too far left."""
    if "station" in _columns(con, STAGED_RUNS):
        change_column(
            con,
            STAGED_RUNS,
            "station",
            lambda name: ((alias := people.whole_name(name)) and people.shown(alias)) or name,
            r"NOT coalesce(regexp_matches(operator, '\pL'), false)",
        )


def _hide_in(con: duckdb.DuckDBPyConnection, table: str, people: People) -> None:
    for column in (
        *FREE_TEXTS,
        *(["row_key"] if table.startswith("event") else []),
    ):  # the key of an event holds its text
        if column in _columns(con, table):
            change_column(con, table, column, people.hidden_json if column == "extra" else people.hidden)


def _columns(con: duckdb.DuckDBPyConnection, table: str) -> set[str]:
    return {row[0] for row in con.execute(f"DESCRIBE {table}").fetchall()}
