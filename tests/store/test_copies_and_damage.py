"""Copies before what changes much; restore under the writers' lock; a store that is gone or damaged is said, by every command."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import duckdb
import pytest
from shop_folder import shop_of, take_in, write
from test_trust import BUILDS, STAGES, rows_of

from calib.cli.app import run
from calib.errors import LogFileError, StoreError
from calib.shop.template import shop_text
from calib.store import restore
from calib.store.backup import KEPT, backup_store, copy_before, list_backups
from calib.store.log_files import find_files
from calib.store.one_writer import LOCK_NAME, hold_writing
from calib.store.open_store import STORE_NAME, open_store
from calib.store.restore import restore_store
from calib.store.review import list_review

COMMANDS = ["check", "backup", "undo", "fit", "drift", "report --out pages", "rejects", "review", "quotes", "promises",
            "export out", "forget Ada --yes", "import logs", "week logs"]  # fmt: skip


@pytest.fixture
def shop(tmp_path):
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "shop.toml").write_text(shop_text("Europe/Berlin"), encoding="utf-8")
    (folder / "logs").mkdir()
    for name, text in (("builds.csv", BUILDS), ("stages.csv", STAGES)):
        write(folder / "logs", name, text)
    return shop_of(folder, ("builds.csv", BUILDS), ("stages.csv", STAGES))


def calib(shop, line, capsys):
    capsys.readouterr()
    words = [str(shop / word) if word in ("logs", "pages", "out") else word for word in line.split()]
    status = run([*words, "--shop", str(shop)])
    return status, "".join(capsys.readouterr())


def test_undo_copies_the_store_before_and_the_last_few_stay(shop, capsys):
    with open_store(shop) as con:
        copies = [Path(copy_before(con, shop, "undo")["path"]) for _ in range(KEPT)]
    take_in(shop, write(shop, "more.csv", STAGES.replace("B1,", "B2,")))
    assert "Copied before to" in calib(shop, "undo", capsys)[1]
    assert set(copies[1:]) < set(list_backups(shop)) and copies[0] not in list_backups(shop)
    with open_store(shop) as con:
        mine = backup_store(con, shop)
    before = rows_of(shop)
    take_in(shop, write(shop, "more.csv", STAGES.replace("B1,", "B2,")))
    after = rows_of(shop)
    calib(shop, "undo", capsys)
    assert mine in list_backups(shop) and len(list_backups(shop)) == KEPT + 1
    restore_store(shop)
    assert rows_of(shop) == after
    restore_store(shop, mine)
    assert rows_of(shop) == before


HOLDS = """
import sys
from pathlib import Path
from calib.store.one_writer import hold_writing
with hold_writing(Path(sys.argv[1]), 0):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_what_writes_waits_for_another_program_that_does_and_then_names_it(shop, capsys, monkeypatch):
    with open_store(shop) as con:
        backup_store(con, shop)
    for module in ("open_store", "restore", "forget", "imports"):
        monkeypatch.setattr(f"calib.store.{module}.WAIT_S", 0.1)
    monkeypatch.setattr("calib.store.open_store.open_store.__wrapped__.__defaults__", (False, False, 0.1))
    there = (shop / STORE_NAME).stat().st_ino
    lines = ("restore", "undo", "import logs", "forget Ada --yes", "backup")
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(shop)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "held\n"
        for line in lines:
            status, says = calib(shop, line, capsys)
            assert status == 2 and f"is open in another program (process {other.pid})" in says, line + says
            assert (shop / STORE_NAME).stat().st_ino == there, line
        other.stdin.close()
    for line in lines:
        assert calib(shop, line, capsys)[0] == 0, line


def test_a_restore_waits_for_a_thread_that_writes(shop):
    with open_store(shop) as con:
        backup_store(con, shop)
    with hold_writing(shop, 0):
        other = threading.Thread(target=restore_store, args=(shop,))
        other.start()
        there = (shop / STORE_NAME).stat().st_ino
        other.join(0.5)
        assert other.is_alive() and (shop / STORE_NAME).stat().st_ino == there
    other.join(60)
    assert (shop / STORE_NAME).stat().st_ino != there


@pytest.mark.parametrize("call", ["os.link", "os.replace"])
def test_a_restore_that_ends_at_any_step_leaves_the_old_store_there(shop, monkeypatch, call):
    with open_store(shop) as con:
        backup_store(con, shop)
    take_in(shop, write(shop, "more.csv", STAGES.replace("B1,", "B2,")))
    before = rows_of(shop)

    def interrupt(*paths):
        raise KeyboardInterrupt

    monkeypatch.setattr(restore.os, call[3:], interrupt)
    with pytest.raises(KeyboardInterrupt):
        restore_store(shop)
    monkeypatch.undo()
    assert rows_of(shop) == before
    assert not [path for path in shop.iterdir() if "restoring" in path.name]


def test_a_log_of_changes_that_a_killed_program_left_is_read_into_the_store_that_is_kept(shop):
    with open_store(shop) as con:
        backup_store(con, shop)
    killed = "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); c.execute('DELETE FROM stage_run'); os.kill(os.getpid(), 9)"
    subprocess.run([sys.executable, "-c", killed, str(shop / STORE_NAME)], check=False)
    wal = shop / (STORE_NAME + ".wal")
    assert wal.exists()
    _, old = restore_store(shop)
    assert not wal.exists() and rows_of(shop)[1] == 1200
    with duckdb.connect(str(old), read_only=True) as con:
        assert con.execute("SELECT count(*) FROM stage_run").fetchone() == (0,)


@pytest.mark.parametrize("backup", [False, True])
def test_a_store_that_is_gone_is_said_and_not_made_anew(shop, capsys, backup):
    with open_store(shop) as con:
        if backup:
            backup_store(con, shop)
    (shop / STORE_NAME).unlink()
    for line in COMMANDS[:: 1 if backup else 3]:
        status, says = calib(shop, line, capsys)
        assert status == 2 and "was there and is gone" in says and ("calib restore" in says) == backup, line + says
        assert not (shop / STORE_NAME).exists()
    if backup:
        assert calib(shop, "restore", capsys)[0] == 0 and rows_of(shop)[1] == 1200


def test_a_shop_without_a_store_is_not_called_sound(shop, capsys):
    (shop / STORE_NAME).unlink()
    for line in ("check", "backup", "undo", "export out", "forget Ada"):
        status, says = calib(shop, line, capsys)
        assert status == 2 and "There is no shop.duckdb" in says
    assert not (shop / STORE_NAME).exists()
    assert calib(shop, "import logs", capsys)[0] == 0 and rows_of(shop)[1] == 1200


def broken(data, how):
    if how == "zeroed":
        return b"".join([data[:12288], *(bytes(1 << 18) for _ in range(12288, len(data), 1 << 18))])
    return data[: {"quarter": len(data) // 4, "half": len(data) // 2, "one byte": len(data) - 1}[how]]


@pytest.mark.parametrize(
    "how", ["half", *(pytest.param(one, marks=pytest.mark.slow) for one in ("quarter", "one byte", "zeroed"))]
)
def test_every_command_says_of_a_damaged_store_how_to_go_on(shop, capsys, how):
    with open_store(shop) as con:
        con.execute("CREATE TABLE ballast AS SELECT random() FROM range(200000)")
        con.execute("CHECKPOINT")
        backup = backup_store(con, shop)
    good = (shop / STORE_NAME).read_bytes()
    for line in COMMANDS:
        (shop / STORE_NAME).write_bytes(broken(good, how))
        status, says = calib(shop, line, capsys)
        assert "Traceback" not in says and "fault of calib" not in says, line + says
        assert status in (0, 2) and "sound" not in says, line + says
        if status == 2 and "calib fit" not in says:
            assert f"{backup.name} (calib restore)" in says or "before-" in says, line + says
    (shop / STORE_NAME).write_bytes(broken(good, how))
    assert "calib restore" in calib(shop, "check", capsys)[1]
    assert calib(shop, f"restore {backup}", capsys)[0] == 0 and rows_of(shop)[1] == 1200


def test_what_calib_wrote_is_no_log(shop, capsys, monkeypatch):
    monkeypatch.chdir(shop)
    assert calib(shop, "templates", capsys)[0] == 0
    assert calib(shop, "backup", capsys)[0] == 0
    assert calib(shop, "export everything", capsys)[0] == 0
    (shop / "ranges.csv").write_text(
        "build_id,process,stage,baseline_min,baseline_basis,mean_min,p05_min\nP1,MEX,total,1,count,1,1\n"
    )
    logs = [shop / "logs" / "builds.csv", shop / "logs" / "stages.csv"]
    assert find_files([shop]) == find_files([shop.parent]) == logs
    assert len(find_files([shop / "everything"])) == 8  # named, an export is read
    with (shop / "templates" / "stages.csv").open("a") as filled:
        filled.write("B1,,inspection\n")
    assert find_files([shop]) == [*logs, shop / "templates" / "stages.csv"]
    (copy,) = list_backups(shop)
    for path in (shop / "backups", copy, copy / "build.parquet"):
        with pytest.raises(LogFileError, match="is a copy of the store"):
            find_files([path])


def test_undo_takes_the_questions_of_its_import_with_it(shop):
    def questions():
        with open_store(shop) as con:
            return [one["mark_id"] for one in list_review(con, None)]

    before = questions()
    odd = STAGES.splitlines()[0] + "\nB7,packing,2026-02-05T08:00,2026-02-07T20:00\n"
    take_in(shop, write(shop, "odd.csv", odd))
    assert len(questions()) > len(before)
    raised = set(questions()) - set(before)
    calib_undo = run(["undo", "--shop", str(shop)])
    assert calib_undo == 0 and questions() == before
    take_in(shop, shop / "odd.csv")
    assert len(questions()) > len(before)
    assert not raised & set(questions())  # a number never comes to mean another question


def test_the_lock_stays_out_of_sight_and_costs_nothing_where_nothing_may_be_written(tmp_path):
    with hold_writing(tmp_path / "not there", 0), hold_writing(tmp_path, 0):
        assert (tmp_path / LOCK_NAME).exists()
    with pytest.raises(StoreError), open_store(tmp_path):
        pass
