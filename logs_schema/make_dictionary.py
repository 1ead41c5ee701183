"""Write README.md, the data dictionary, from the comments that the migrations put on tables and columns."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
QUERY = """
SELECT t.table_name, t.comment, c.column_name, c.data_type, c.comment
FROM duckdb_tables() t JOIN duckdb_columns() c USING (table_name) ORDER BY t.table_oid, c.column_index
"""


def dictionary() -> str:
    """The page as text, from an empty store made by the migrations."""
    from calib.store.open_store import open_store

    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), create=True) as con:
        rows = con.execute(QUERY).fetchall()
    lines = [
        "# Data dictionary",
        "",
        "Tables of `shop.duckdb`, made from the comments in the numbered migrations beside this page "
        "(`python logs_schema/make_dictionary.py`). Times are UTC.",
    ]
    last = None
    for table, about, column, kind, says in rows:
        if table != last:
            lines += ["", f"## {table}", "", f"{about}.", "", "| column | type | meaning |", "| --- | --- | --- |"]
            last = table
        lines.append(f"| `{column}` | {kind} | {str(says).replace('|', chr(92) + '|')} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    (HERE / "README.md").write_text(dictionary(), encoding="utf-8")
    sys.stdout.write("README.md written\n")
