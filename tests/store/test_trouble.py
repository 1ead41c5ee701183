"""A disk that is full, a folder nobody may write, files that grow, stores that are damaged or newer: told, nothing lost."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import pytest
from shop_folder import counts, shop_of, take_in, write
from test_trust import BUILDS, CHILDREN, STAGES, child, rows_of, takes_in

from calib.errors import LogFileError, StoreError
from calib.logs.read_table import read_tables
from calib.store.backup import backup_store
from calib.store.migrate import newest_version
from calib.store.open_store import STORE_NAME, open_store
from calib.store.restore import restore_store


@pytest.fixture
def shop(tmp_path):
    return shop_of(tmp_path, ("builds.csv", BUILDS))


def test_a_store_of_a_newer_version(shop):
    with open_store(shop) as con:
        con.execute(f"INSERT INTO schema_version VALUES ({newest_version() + 1}, 'later', now()::TIMESTAMP)")
    answer = rf"shop.duckdb is of version {newest_version() + 1}; this calib knows versions up to {newest_version()}\."
    with pytest.raises(StoreError, match=answer):
        take_in(shop, write(shop, "stages.csv", STAGES))
    with duckdb.connect(str(shop / STORE_NAME), read_only=True):  # it is not tried to write to it
        done = subprocess.run([sys.executable, "-c", OPENER, str(shop)], capture_output=True, text=True, check=False)
    assert re.match(answer, done.stdout), done.stderr


OPENER = """
import sys
from calib.errors import StoreError
from calib.store.open_store import open_store
try:
    with open_store(sys.argv[1], read_only=True, wait_s=0.0):
        print("open")
except StoreError as error:
    print(error)
"""


def test_a_backup_of_a_newer_version_is_not_put_in_the_place_of_a_good_store(shop):
    with open_store(shop) as con:
        con.execute(f"INSERT INTO schema_version VALUES ({newest_version() + 1}, 'later', now()::TIMESTAMP)")
        backup = backup_store(con, shop)
        con.execute(f"DELETE FROM schema_version WHERE version > {newest_version()}")
    before = sorted(shop.iterdir())
    with pytest.raises(StoreError, match=f"{backup.name} is of version {newest_version() + 1}; this calib knows"):
        restore_store(shop)
    assert sorted(shop.iterdir()) == before
    assert rows_of(shop)[0] == 300


@pytest.mark.parametrize("damage", ["start", "cut short", "no store"])
def test_a_damaged_store_is_told_with_a_way_back_and_left_as_it_is(shop, damage):
    path = shop / STORE_NAME
    good = path.read_bytes()
    bad = {"start": b"\x00" * 64 + good[64:], "cut short": good[:5000], "no store": b"a text, no store\n" * 300}[damage]
    path.write_bytes(bad)
    with pytest.raises(StoreError, match="cannot be opened as a store") as error:
        take_in(shop, write(shop, "stages.csv", STAGES))
    assert "calib restore" in error.value.hint
    assert path.read_bytes() == bad


def test_a_file_that_grows_while_it_is_read(tmp_path, monkeypatch):
    path = write(tmp_path, "stages.csv", STAGES)

    def grows(*arguments):
        with path.open("a") as out:
            out.write("B1,packing,2026-01-05T08:00,2026-01-05T09:00,M1,\n")
        return iter(())

    monkeypatch.setattr("calib.logs.read_table.rows", grows)
    with pytest.raises(LogFileError, match=r"stages.csv was being written while it was read\.") as error:
        read_tables(path, (), tmp_path)
    assert error.value.hint == "Import it again once it is finished."


LITTLE_SPACE = """
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from pathlib import Path
import sys
from calib.errors import CalibError
from calib.store.imports import ImportOptions, import_files
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
try:
    import_files(Path(sys.argv[1]), [Path(sys.argv[2])], ImportOptions("Europe/Berlin"))
    print("done")
except CalibError as error:
    print(error.message, error.hint, sep="\\n")
"""


@pytest.mark.skipif(os.name == "nt", reason="no limit of file sizes there")
def test_a_full_disk_is_told_and_the_store_is_as_before(shop):
    """A limit on the size of files stands for a full disk: the engine cannot write either way."""
    notes = "".join(
        f"B{i % 300},printing,2026-01-{1 + i % 28:02d}T08:00:{i % 60:02d},,M1,{os.urandom(600).hex()}\n"
        for i in range(2000)
    )
    log = write(shop, "notes.csv", "build_id,stage,started_at,ended_at,station,note\n" + notes)
    limit = (shop / STORE_NAME).stat().st_size + 200_000
    done = subprocess.run(
        [sys.executable, "-c", LITTLE_SPACE, str(shop), str(log), str(limit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "could not be" in done.stdout or "cannot be" in done.stdout, done.stderr
    assert "Free some space" in done.stdout
    assert "Traceback" not in done.stderr
    assert rows_of(shop)[:2] == (300, 0)
    assert counts(take_in(shop, log))[0] > 0


READ_ONLY = """
import os, sys, tempfile
from pathlib import Path
from calib.errors import CalibError
from calib.store.imports import ImportOptions, import_files
shop, log = Path(sys.argv[1]), Path(sys.argv[2])
with tempfile.TemporaryDirectory() as other:  # loads all modules while they can be read
    import_files(Path(other), [log], ImportOptions("Europe/Berlin"))
os.setuid(65534)
try:
    import_files(shop, [log], ImportOptions("Europe/Berlin"))
    print("done")
except CalibError as error:
    print(error.message, error.hint, sep="\\n")
"""


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only root can become somebody who may not write")
def test_a_folder_that_somebody_else_may_not_write():
    with tempfile.TemporaryDirectory() as name:
        shop = Path(name)
        take_in(shop, write(shop, "builds.csv", BUILDS))
        log = write(shop, "stages.csv", STAGES)
        for path, mode in [(shop, 0o555), *((path, 0o444) for path in shop.iterdir())]:
            path.chmod(mode)
        done = subprocess.run(
            [sys.executable, "-c", READ_ONLY, str(shop), str(log)], capture_output=True, text=True, check=False
        )
        assert "shop.duckdb cannot be written in" in done.stdout, done.stderr
        assert "Allow writing there; nothing was changed." in done.stdout
        assert rows_of(shop)[:2] == (300, 0)


INTERRUPTED = 130


def takes_in_until_interrupted(shop, log, began):
    try:
        began.set()
        takes_in(shop, log)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


@pytest.mark.skipif(os.name == "nt", reason="no SIGINT of this sort there")
@pytest.mark.parametrize("after_s", [0.02, 0.15, 0.4])
def test_an_interrupted_import_is_half_done_nowhere(shop, after_s):
    began = CHILDREN.Event()
    process = child(takes_in_until_interrupted, shop, write(shop, "stages.csv", STAGES), began)
    began.wait()
    time.sleep(after_s)
    with contextlib.suppress(ProcessLookupError):  # on a quick machine it has ended
        os.kill(process.pid, signal.SIGINT)
    process.join()
    assert process.exitcode in (0, INTERRUPTED)
    assert rows_of(shop) in ((300, 0, 1), (300, 1200, 2))
