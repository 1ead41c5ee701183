"""People by alias: the store knows digests of names, never the names."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Iterable

import duckdb

from calib.logs.trade_words import HEADINGS, folded

# Words in an operator cell that name no person.
NO_NAMES = {"crew", "team", "shift", "night", "day", "lab", "bench", "and", "the", "person", "operator", "anyone", "early", "late"}  # fmt: skip
NAME_COLUMNS = {"customer", "customer name", "client", "client name", "contact"}  # of customers, ...
# ... and of people; "name" and "by" may as well name a part or a machine
NAME_COLUMNS |= {"operator", *HEADINGS["operator"]} - {"name", "by", "nom", "par", "nombre"}
SHORTEST_WORD = 3
ALPHABET = "ABCDEFGHJKMNPQRSTVWXYZ23456789"


def alias_operators(con: duckdb.DuckDBPyConnection, kind: str, mode: str) -> None:
    """Replace operators in ``staged_<kind>`` by aliases (``alias``) or by nothing (``off``), in notes and kept columns too.

    Customers and people that a kept column names are hidden like operators, there and in notes.
    """
    if mode == "named":
        return
    names = _operators(con) if kind == "stages" else []
    aliases = learn_names(con, names + _kept_names(con, kind))
    if kind == "stages":
        _replace_operators(con, aliases, mode)
    for column in ("note", "extra"):
        _replace_words(con, f"staged_{kind}", column, mode)


def learn_names(con: duckdb.DuckDBPyConnection, names: Iterable[str]) -> dict[str, str]:
    """Aliases of names; new ones are remembered by digest."""
    key = _key(con)
    known = {row[0] for row in con.execute("SELECT DISTINCT alias FROM person").fetchall()}
    found = {}
    rows: list[tuple[str, str, bool]] = []
    for name in names:
        found[name] = alias = name if is_alias(name) else alias_of(name, key)
        if alias not in known and not is_alias(name):
            known.add(alias)
            rows.append((_digest(name, key), alias, True))
            rows += [(_digest(word, key), alias, False) for word in words_of(name)]
    if rows:  # at once: a statement for each of many takes longer than all else with them
        con.execute(
            "INSERT INTO person SELECT unnest(?::VARCHAR[]), unnest(?::VARCHAR[]), unnest(?::BOOLEAN[])",
            [list(column) for column in zip(*rows, strict=True)],
        )
    return found


def alias_of(name: str, key: str) -> str:
    """The same name gets the same alias, whatever its case; 30^6 aliases."""
    number = int(_digest(name, key), 16)
    letters = ""
    for _ in range(6):
        number, place = divmod(number, len(ALPHABET))
        letters += ALPHABET[place]
    return f"P-{letters}"


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


def is_alias(name: str) -> bool:
    """
    >>> is_alias("P-ABC234"), is_alias("Anna")
    (True, False)
    """
    return bool(re.fullmatch(rf"P-[{ALPHABET}]{{6}}", name))


def hide_names(con: duckdb.DuckDBPyConnection, value: str) -> str:
    """A text with every known name replaced by its alias."""
    aliases = _known_words(con)
    key = _key(con)
    return re.sub(r"[^\W\d_][\w'\-.]*", lambda word: aliases.get(_digest(word.group(), key), word.group()), value)


def without_names(con: duckdb.DuckDBPyConnection, value: str, mode: str) -> str:
    """A text that a person typed, as the shop's rule for names has it."""
    return value if mode == "named" else hide_names(con, value)


def find_key(con: duckdb.DuckDBPyConnection) -> str:
    """The key of this store's aliases, or '' where no alias was ever given."""
    row = con.execute("SELECT value FROM setting WHERE name = 'alias key'").fetchone()
    return str(row[0]) if row else ""


def _key(con: duckdb.DuckDBPyConnection) -> str:
    key = find_key(con)
    if not key:
        key = secrets.token_hex(16)
        con.execute("INSERT INTO setting VALUES ('alias key', ?)", [key])
    return key


def _digest(name: str, key: str) -> str:
    plain = " ".join(name.lower().split())
    return hmac.new(key.encode(), plain.encode(), hashlib.sha256).hexdigest()


def words_of(name: str) -> list[str]:
    """The words of a name that tell who it is.

    >>> words_of("Ada Quill"), words_of("night crew")
    (['Ada', 'Quill'], [])
    """
    words = re.findall(r"[^\W\d_][\w'\-.]*", name)
    return [word for word in words if len(word) >= SHORTEST_WORD and word.lower() not in NO_NAMES]


def _operators(con: duckdb.DuckDBPyConnection) -> list[str]:
    rows = con.execute("SELECT DISTINCT operator FROM staged_stages WHERE operator IS NOT NULL").fetchall()
    return [row[0] for row in rows]


def _kept_names(con: duckdb.DuckDBPyConnection, kind: str) -> list[str]:
    """What kept columns for customers and people hold."""
    kept = f"FROM staged_{kind} WHERE extra IS NOT NULL"
    keys = con.execute(f"SELECT DISTINCT key FROM (SELECT unnest(json_keys(extra)) AS key {kept})").fetchall()
    of_names = [key for (key,) in keys if folded(key) in NAME_COLUMNS and '"' not in key]
    paths = [f'$."{key}"' for key in of_names]
    rows = con.execute(f"SELECT DISTINCT unnest(json_extract_string(extra, ?::VARCHAR[])) {kept}", [paths]).fetchall()
    return [name for (name,) in rows if name and not all(map(is_alias, name.split()))]  # an export holds aliases


def _replace_operators(con: duckdb.DuckDBPyConnection, aliases: dict[str, str], mode: str) -> None:
    if mode == "off":
        con.execute("UPDATE staged_stages SET operator = NULL WHERE operator IS NOT NULL")
        return
    if aliases:
        con.execute(
            "UPDATE staged_stages SET operator = a.alias FROM "
            "(SELECT unnest(?::VARCHAR[]) AS name, unnest(?::VARCHAR[]) AS alias) a WHERE operator = a.name",
            [list(aliases), list(aliases.values())],
        )


def _known_words(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    return dict(con.execute("SELECT word_digest, alias FROM person").fetchall())


def _replace_words(con: duckdb.DuckDBPyConnection, table: str, column: str, mode: str) -> None:
    """Names in free text: each distinct text is looked at once."""
    columns = {row[0] for row in con.execute(f"DESCRIBE {table}").fetchall()}
    if column not in columns:
        return
    texts = [r[0] for r in con.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL").fetchall()]
    if not texts:
        return
    aliases, key = _known_words(con), _key(con)
    if mode == "off":
        aliases = dict.fromkeys(aliases, "...")
    seen: dict[str, str] = {}

    def replaced(word: re.Match[str]) -> str:
        text = word.group()
        if text not in seen:
            seen[text] = aliases.get(_digest(text.rstrip("."), key), aliases.get(_digest(text, key), text))
        return seen[text]

    changed = {text: re.sub(r"[^\W\d_][\w'\-.]*", replaced, text) for text in texts}
    changed = {old: new for old, new in changed.items() if old != new}
    if changed:
        con.execute(
            f"UPDATE {table} SET {column} = a.new FROM "
            f"(SELECT unnest(?::VARCHAR[]) AS old, unnest(?::VARCHAR[]) AS new) a WHERE {column} = a.old",
            [list(changed), list(changed.values())],
        )
