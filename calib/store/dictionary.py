"""The data dictionary ``logs_schema/README.md``, made from the comments in the store: python -m calib.store.dictionary"""

from __future__ import annotations

from pathlib import Path

import duckdb

from calib.locate import shipped_folder
from calib.store.migrate import migrate, migrations

HEAD = """# Data dictionary of shop.duckdb

Made from the comments in the migrations beside this page; do not edit. To make it again:

    python -m calib.store.dictionary

Times are UTC, durations minutes, lengths mm, areas cm2, volumes cm3, masses g. A migration that was applied is never
edited; a change is a new file.

"""


def dictionary_text() -> str:
    """The page: every migration, table and column with its comment."""
    with duckdb.connect() as con:
        migrate(con)
        tables = con.execute("SELECT table_name, comment FROM duckdb_tables() ORDER BY table_name").fetchall()
        columns = con.execute(
            "SELECT table_name, column_name, data_type, is_nullable, comment FROM duckdb_columns() "
            "WHERE NOT internal ORDER BY table_name, column_index"
        ).fetchall()
    parts = [HEAD, "## Migrations\n\n", *(_migration_line(path) for _, path in migrations())]
    for table, comment in tables:
        parts += [f"\n## {table}\n\n{comment}.\n\n| column | type | meaning |\n|---|---|---|\n"]
        parts += [
            f"| `{name}` | {kind}{'' if nullable else ', needed'} | {_cell(meaning)} |\n"
            for of, name, kind, nullable, meaning in columns
            if of == table
        ]
    return "".join(parts)


def _cell(text: str | None) -> str:
    return (text or "").replace("|", "\\|")


def _migration_line(path: Path) -> str:
    why = path.read_text(encoding="utf-8").splitlines()[1].removeprefix("-- ")
    return f"- `{path.name}`: {why}\n"


if __name__ == "__main__":
    (shipped_folder("logs_schema") / "README.md").write_text(dictionary_text(), encoding="utf-8")
