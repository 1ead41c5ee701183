"""Pages made from code are current, and no table or column of the store is without a comment."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_data_dictionary_is_current():
    made = runpy.run_path(str(ROOT / "logs_schema" / "make_dictionary.py"))["dictionary"]()
    assert (ROOT / "logs_schema" / "README.md").read_text(encoding="utf-8") == made, (
        "run: python logs_schema/make_dictionary.py"
    )


def test_no_column_is_without_a_comment(tmp_path):
    from calib.store.open_store import open_store

    with open_store(tmp_path, create=True) as con:
        bare = con.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE comment IS NULL AND NOT internal"
        ).fetchall()
    assert bare == []


def test_the_page_of_equations_is_current():
    made = runpy.run_path(str(ROOT / "docs" / "make_equations.py"))["equations"]()
    assert (ROOT / "docs" / "equations.md").read_text(encoding="utf-8") == made, "run: python docs/make_equations.py"
