"""Seeded attacks on what may hurt a lab's records, counted for each family and command and printed (pytest -s)."""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter

import duckdb
import pytest
from shop_folder import shop_of, write
from test_copies_and_damage import COMMANDS, calib
from test_trust import BUILDS, STAGES, child

from calib.cli.app import guarded, run
from calib.shop.template import shop_text
from calib.store.backup import backup_store, list_backups
from calib.store.open_store import STORE_NAME, open_store

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name == "nt", reason="no signal 9 there")]
MORE = STAGES.replace("B1,", "B2,").replace("2026-01", "2026-02")
KILLED = {"restore": 4, "undo": 3, "forget Ada": 3, "backup": 2, "export out": 2, "import more.csv": 2}


@pytest.fixture
def shop(tmp_path):
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "shop.toml").write_text(shop_text("Europe/Berlin"), encoding="utf-8")
    shop_of(folder, ("builds.csv", BUILDS), ("stages.csv", STAGES))
    write(folder, "more.csv", MORE)
    with open_store(folder) as con:
        backup_store(con, folder)
    return folder


def content(folder):
    """Numbers of rows and what they hold; None where no store opens."""
    with duckdb.connect(str(folder / STORE_NAME), read_only=True) as con:
        return con.execute("SELECT count(*), bit_xor(hash(t)) FROM stage_run t").fetchone()


def calls(words, at):
    """calib in a child, which counts down before each system call that changes a name and kills itself at number ``at``."""
    left = at

    def counted(call):
        def counting(*arguments, **named):
            nonlocal left
            left -= 1
            if not left:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*arguments, **named)

        return counting

    for name in ("replace", "rename", "link", "unlink", "mkdir", "rmdir", "open", "pwrite", "close"):
        setattr(os, name, counted(getattr(os, name)))
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        status = run(words)
    sys.exit(status)


def start(folder, line, at=0):
    words = [str(folder / word) if word in ("out", "more.csv") else word for word in line.split()]
    return child(calls, [*words, "--shop", str(folder)], at)


@pytest.mark.parametrize("line", KILLED)
def test_a_kill_leaves_the_old_store_or_the_new_one(shop, tmp_path, line, capsys):
    draw, kills, failed = random.Random(13), Counter(), 0
    before = content(shop)
    whole = shutil.copytree(shop, tmp_path / "whole")
    child(int).join()  # what the first child of all waits for is no time of the command
    began = time.monotonic()
    start(whole, line).join()
    took, after = time.monotonic() - began, content(whole)
    for number in range(2 * KILLED[line]):
        copy = shutil.copytree(shop, tmp_path / f"copy{number}")
        at_call = number % 2
        process = start(copy, line, draw.randint(1, 10) if at_call else 0)
        if not at_call:
            time.sleep(took * (0.3 + 0.7 * draw.random()))
            process.kill()
        process.join()
        kills["at a system call" if at_call else "at random"] += process.exitcode == -signal.SIGKILL
        held = (copy / STORE_NAME).exists() and content(copy) in (before, after)
        failed += not held or calib(copy, "check", capsys)[0] != 0 or not list_backups(copy)
        shutil.rmtree(copy)
    with capsys.disabled():
        print(
            f"\n{line}: {kills['at random']} killed at random, {kills['at a system call']} at a system call, {failed} failed"
        )
    assert not failed


def test_a_restore_and_an_import_at_once_lose_no_row_that_was_called_stored(shop, tmp_path, capsys):
    failed = 0
    for number in range(4):
        copy = shutil.copytree(shop, tmp_path / f"copy{number}")
        both = [
            start(copy, line)
            for line in (("restore", "import more.csv") if number % 2 else ("import more.csv", "restore"))
        ]
        for process in both:
            process.join()
        ends = [process.exitcode for process in both]
        rows = content(copy)[0]
        replaced = [duckdb.connect(str(one), read_only=True) for one in copy.glob("*.replaced-*.duckdb")]
        kept = [con.execute("SELECT count(*) FROM stage_run").fetchone()[0] for con in replaced]
        failed += ends != [0, 0] or 2400 not in (rows, *kept)
        for con in replaced:
            con.close()
    with capsys.disabled():
        print(f"\nrestore beside import: 4 tried, {failed} failed")
    assert not failed


def test_damage_is_a_sentence_in_every_command(shop, tmp_path, capsys):
    draw, failed = random.Random(13), []
    with open_store(shop) as con:
        con.execute("CREATE TABLE ballast AS SELECT random() FROM range(100000)")
        con.execute("CHECKPOINT")
    data = (shop / STORE_NAME).read_bytes()
    tried = 0
    for _ in range(4):
        at = draw.randrange(len(data) // 4096)
        for how in ("cut", "zeroed", "noise"):
            change = {"cut": b"", "zeroed": bytes(4096), "noise": draw.randbytes(4096)}[how]
            bad = data[: at * 4096] + change + (data[(at + 1) * 4096 :] if change else b"")
            for line in draw.sample(COMMANDS, 5):
                (shop / STORE_NAME).write_bytes(bad)
                status, says = calib(shop, line, capsys)
                tried += 1
                if status not in (0, 2) or "Traceback" in says or "fault of calib" in says:
                    failed.append((how, at, line, says))
    with capsys.disabled():
        print(f"\ndamaged store: {tried} tried, {len(failed)} failed")
    assert not failed


def test_no_name_of_a_result_costs_anything_that_was_there(shop, tmp_path, capsys):
    draw, failed = random.Random(13), []
    for name in ("logs", "parts", "maps", "templates"):
        (shop / name).mkdir()
        write(shop / name, "own.csv", "of the lab")
    names = [STORE_NAME, "shop.toml", "more.csv", "logs/own.csv", "parts/own.csv", "maps/x.toml", "templates/own.csv", "backups",
             "backups/x", ".shop.duckdb.lock", "SHOP.TOML", "x" * 300, "a/../shop.duckdb", "more.csv/x", "\u202e.csv", "-", "link",
             "loop", "pipe", "new\nline"]  # fmt: skip
    (shop / "link").symlink_to(STORE_NAME)
    (shop / "loop").symlink_to("loop")
    os.mkfifo(shop / "pipe")
    (shop / "a").mkdir()
    write(shop, "plan.csv", "build_id,process,machine,parts\nP1,VPP,vpp1,2\n")
    lines = ["predict plan.csv --out", "export", "rejects --out", "report --out", "map more.csv --out"]
    attacks = [(line, name, more) for line in lines for name in names for more in ("", "--overwrite")]
    for line, name, more in draw.sample(attacks, 100):
        before = {path: path.read_bytes() for path in shop.rglob("*") if path.is_file()}
        words = [str(shop / word) if word.endswith(".csv") else word for word in line.split()]
        capsys.readouterr()
        more = "" if line.startswith("map") else more
        status = guarded([*words, str(shop / name), *([more] if more else []), "--shop", str(shop)])
        says = "".join(capsys.readouterr())
        lost = [path for path, data in before.items() if not path.exists() or path.read_bytes() != data]
        asked_for = more and name == "more.csv"  # a file of the lab's own that is no part of the shop
        lost = [] if asked_for else lost
        if lost or status not in (0, 2) or "fault of calib" in says or not (shop / "pipe").is_fifo():
            failed.append((line, name, more, status, says, lost))
        for path in shop.rglob("*"):
            if path.is_file() and path not in before and path.name not in (STORE_NAME + ".wal",):
                path.unlink()
    with capsys.disabled():
        print(f"\nnames of results: 100 tried, {len(failed)} failed")
    assert not failed
