"""A trial (--dry-run) says what would happen and writes nothing at all."""

from __future__ import annotations

import duckdb
import pytest

from calib.store.migrate import migrate, newest_version
from calib.store.open_store import STORE_NAME

BUILDS = "build_id,process,machine,parts\nB1,VPP,vpp1,3\n"
RUNS = "build_id,stage,started_at,ended_at,operator\nB1,printing,2026-01-05T08:00,2026-01-05T12:00,Ada Quill\nB1,x,,,\n"


def everything(folder):
    """Every file with its bytes, and every folder."""
    return {path.relative_to(folder): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


@pytest.mark.parametrize("stored_before", [(), (BUILDS,), (BUILDS, RUNS)], ids=["nothing", "builds", "all"])
def test_a_trial_changes_no_byte_of_the_shops_folder(lab, fates, stored_before):
    for text in stored_before:
        lab.take(text)
    log = lab.write(RUNS)
    before = everything(lab.folder)
    tried = lab.take(log, options=["--dry-run"])
    assert everything(lab.folder) == before
    assert tried["dry_run"]
    assert fates(tried) == fates(lab.take(log))


def test_a_trial_makes_no_store(lab, fates):
    (lab.folder / STORE_NAME).unlink()
    assert fates(lab.take(BUILDS, options=["--dry-run"])) == (1, 0, 0, 0, 0)
    assert [path.name for path in lab.folder.iterdir()] == ["shop.toml"]


def test_a_trial_leaves_a_store_of_an_older_version_as_it_is(lab):
    store = lab.folder / STORE_NAME
    store.unlink()
    with duckdb.connect(str(store)) as con:
        migrate(con, up_to=newest_version() - 1)
    before = everything(lab.folder)
    lab.take(BUILDS, options=["--dry-run"])
    assert everything(lab.folder) == before


def test_taking_back_as_a_trial_changes_no_byte(lab):
    lab.take(BUILDS)
    before = everything(lab.folder)
    assert lab.document("undo", "--dry-run")["rows_taken_out"] == 1
    assert everything(lab.folder) == before
