"""The schema: every column has its comment, the dictionary is current, every older version migrates."""

from __future__ import annotations

import shutil

import duckdb
import pytest

from calib.errors import StoreError
from calib.locate import shipped_folder
from calib.store.dictionary import dictionary_text
from calib.store.migrate import migrate, migrations, newest_version, version_of
from calib.store.open_store import STORE_NAME, open_store
from calib.store.review import list_review
from calib.store.runs import find_runs


def test_every_table_and_column_has_a_comment(tmp_path):
    with open_store(tmp_path, create=True) as con:
        bare = con.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal AND comment IS NULL UNION ALL "
            "SELECT table_name, '' FROM duckdb_tables() WHERE comment IS NULL"
        ).fetchall()
    assert bare == []


def test_the_dictionary_is_current():
    written = (shipped_folder("logs_schema") / "README.md").read_text(encoding="utf-8")
    assert written == dictionary_text(), "make it again: python -m calib.store.dictionary"


def test_a_store_of_an_older_version_is_brought_up_and_copied_before(tmp_path):
    """From the first version, one between and those before the newest; every file is applied on the way from the first."""
    versions = [version for version, _ in migrations()]
    older = tmp_path / "older"
    for version in (versions[0], versions[len(versions) // 2], *versions[-2:]):
        with duckdb.connect(str(older)) as con:
            migrate(con, up_to=version)
            assert version_of(con) == version
        shop = tmp_path / f"of_version_{version}"
        shop.mkdir()
        shutil.copyfile(older, shop / STORE_NAME)
        with open_store(shop) as con:
            assert version_of(con) == newest_version()
        backups = list((shop / "backups").glob("*"))
        assert len(backups) == (version < newest_version())


def test_runs_and_their_marks_come_over_from_a_store_that_held_keys(tmp_path):
    with duckdb.connect(str(tmp_path / STORE_NAME)) as con:
        migrate(con, up_to=19)
        con.execute(
            "INSERT INTO stage_run (row_key, file_id, line, raw_hash, build_id, stage, started_at, ended_at, held) VALUES "
            "('B1 | printing | - | 2026-01-05 07:00:00 | 1', 1, 2, 3, 'B1', 'printing', '2026-01-05 07:00', '2026-01-05 09:00', "
            "false)"
        )
        con.execute(
            "INSERT INTO review (mark_id, row_key, rule, says, marked_at) SELECT 1, row_key, 'overlap', 'overlaps', now() FROM stage_run"
        )
    with open_store(tmp_path) as con:
        (mark,) = list_review(con)
        assert (mark["row_key"], mark["build_id"]) == ("B1 | printing | - | 2026-01-05 07:00:00 | 1", "B1")
        (run,) = find_runs(con).to_dict("records")
        assert (run["run_key"], run["review"], run["work_min"]) == (mark["row_key"], "overlaps", 120)


def test_a_newer_store_is_refused_in_words(tmp_path):
    with open_store(tmp_path, create=True) as con:
        con.execute("INSERT INTO schema_version VALUES (999, '999_x.sql', now()::TIMESTAMP)")
    with pytest.raises(StoreError, match="of version 999; this calib knows versions up to"), open_store(tmp_path):
        pass


def test_a_damaged_store_is_told_in_words_and_left_alone(tmp_path):
    (tmp_path / STORE_NAME).write_bytes(b"no store at all" * 1000)
    with pytest.raises(StoreError, match="cannot be opened as a store"), open_store(tmp_path):
        pass
    assert (tmp_path / STORE_NAME).read_bytes().startswith(b"no store")


def test_a_folder_that_is_no_shop(tmp_path):
    with pytest.raises(StoreError, match="is no shop"), open_store(tmp_path):
        pass
