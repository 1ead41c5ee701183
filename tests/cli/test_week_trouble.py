"""The weekly run where something goes wrong: two at once, a kill, no rights, no space, files that cannot be read."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from test_drift_and_week import write_logs

from calib.cli.app import run
from calib.errors import StoreError
from calib.shop.template import shop_text
from calib.store.check import check_store
from calib.store.open_store import open_store
from calib.store.transaction import transaction
from calib.workflow.week import LOCK_NAME

BAD = "build_id,stage,date,work_min\nB001,packing,2026-01-08,-5\nB002,pakking,2026-01-08,5\nB900,packing,2026-01-08,5\n"


@pytest.fixture(scope="module")
def weekly_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("weekly")
    (folder / "shop.toml").write_text(shop_text("Europe/London"), encoding="utf-8")
    write_logs(folder / "logs", builds=12)
    assert run(["week", str(folder / "logs"), "--shop", str(folder)]) == 0
    return folder


@pytest.fixture
def weekly(weekly_once, tmp_path, monkeypatch):
    """A lab of twelve builds after its first weekly run; it is the current folder."""
    shutil.copytree(weekly_once, tmp_path / "lab")
    monkeypatch.chdir(tmp_path / "lab")
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    return tmp_path / "lab"


def counted(lab, table="stage_run"):
    with open_store(lab, read_only=True) as store:
        return store.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def problems(lab):
    with open_store(lab) as store:
        return check_store(store)


def page_of(lab):
    (page,) = (lab / "pages").iterdir()
    return page.read_text(encoding="utf-8")


@pytest.mark.slow
def test_nothing_new_is_quiet_and_twice_on_a_day_is_one_page(weekly, calib):
    before = page_of(weekly)
    assert calib("week logs") == (0, "", "")
    status, out, err = calib("week logs --json")
    assert (status, err, json.loads(out)["quiet"]) == (0, "", True)
    assert page_of(weekly) == before


def test_rows_that_wait_for_their_build_are_one_line_once(weekly, calib):
    (weekly / "bench.csv").write_text("build_id,stage,date,work_min\nB900,packing,2026-01-08,5\n", encoding="utf-8")
    assert calib("week logs bench.csv")[1] == "1 row came that waits for a build or order no log has yet.\n"
    assert calib("week logs bench.csv")[1] == ""


@pytest.mark.slow
def test_rows_newly_set_aside_are_counted_though_others_were_mended(weekly, calib, document):
    (weekly / "bench.csv").write_text(BAD, encoding="utf-8")
    assert document("week bench.csv")["newly_set_aside"] == 2
    assert document("week bench.csv")["newly_set_aside"] == 0
    calib("rejects --out to-mend")
    (mend,) = (weekly / "to-mend").glob("*.csv")
    mended = (
        mend.read_text(encoding="utf-8").replace("pakking", "packing").replace('"-5"', '"4"').replace(",-5,", ",4,")
    )
    mend.write_text(mended, encoding="utf-8")
    (weekly / "more.csv").write_text("build_id,stage,date,work_min\nB003,packng,2026-01-08,5\n", encoding="utf-8")
    assert document("week to-mend more.csv")["newly_set_aside"] == 1
    assert calib("week to-mend more.csv")[1] == ""


def test_what_cannot_be_a_folder_of_pages_is_said_before_anything_is_stored(weekly, calib):
    write_logs(weekly / "logs", builds=14)
    before = counted(weekly)
    for out in ("shop.toml", "shop.toml/pages"):
        status, _, err = calib(f"week logs --out {out}")
        assert status == 2
        assert "shop.toml is a file, so no page can be put into a folder" in err
    assert counted(weekly) == before


@pytest.mark.slow
def test_a_full_disk_at_the_page_keeps_the_old_one_and_says_what_is_stored(weekly, calib, monkeypatch):
    write_logs(weekly / "logs", builds=14)
    before, rows = page_of(weekly), counted(weekly)

    def full(self, *arguments, **options):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_bytes", full)
        status, out, err = calib("week logs")
    assert (status, out) == (2, "")
    assert "cannot be written: No space left on device." in err
    assert "Before that the logs were stored: run this again for the rest." in err
    assert page_of(weekly) == before
    assert counted(weekly) == rows + 4
    assert calib("week logs")[0] == 0
    assert len(list((weekly / "pages").iterdir())) == 2  # the new week has another day


def test_a_transaction_that_the_engine_ended_tells_what_ended_it(weekly):
    with open_store(weekly) as store, pytest.raises(StoreError, match="the disk is full"), transaction(store):
        store.execute("ROLLBACK")  # as the engine does where it cannot write
        raise StoreError("the disk is full")


def test_an_unknown_zone_is_named_with_its_line(weekly, calib):
    (weekly / "shop.toml").write_text(shop_text("Europe/Berln"), encoding="utf-8")
    status, out, err = calib("week logs --json")
    assert (status, err) == (2, "")
    assert '"Europe/Berln" is not an IANA time zone' in json.loads(out)["error"]["message"]


def test_an_empty_folder_of_logs_is_said(weekly, calib):
    (weekly / "none").mkdir()
    (weekly / "none" / "~$lock.xlsx").write_bytes(b"")
    (weekly / "none" / ".hidden").mkdir()
    (weekly / "none" / ".hidden" / "builds.csv").write_text("build_id\n")
    assert calib("week none")[0] == 2
    assert "No log file in none." in calib("week none")[2]


@pytest.mark.slow
def test_a_file_that_grows_while_it_is_read_waits_and_the_rest_comes_in(weekly, calib, monkeypatch):
    from calib.logs import read_table

    (weekly / "grows.csv").write_text("build_id,stage,date,work_min\nB003,sanding,2026-01-08,5\n", encoding="utf-8")
    write_logs(weekly / "logs", builds=14)
    rows = counted(weekly)

    def growing(stream, dialect, real=read_table.rows):
        if Path(stream.name).name == "grows.csv":
            with Path("grows.csv").open("a", encoding="utf-8") as out:
                out.write("B004,sanding,2026-01-08,5\n")
        return real(stream, dialect)

    with monkeypatch.context() as patched:
        patched.setattr(read_table, "rows", growing)
        status, out, _ = calib("week logs grows.csv")
    assert status == 0
    assert out.startswith("Not read: grows.csv was being written while it was read.")
    assert counted(weekly) == rows + 4
    calib("week logs grows.csv")
    assert counted(weekly) == rows + 6


def test_a_full_disk_for_temporary_files_is_told_as_such(weekly, calib, monkeypatch):
    (weekly / "more.csv").write_text("build_id,stage,date,work_min\nB003,sanding,2026-01-08,5\n", encoding="utf-8")

    def full(*arguments):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("calib.logs.read_table.rows", full)
    status, _, err = calib("week more.csv")
    assert status == 2
    assert (
        err == f"calib: more.csv cannot be read: No space left on device. Free some space in {tempfile.gettempdir()}.\n"
    )


AS_NOBODY = """
import contextlib, io, json, os, sys
from calib.cli.app import run
run(["week", sys.argv[1] + "/logs", "--shop", sys.argv[1]])  # loads all modules while they can be read
import calib.workflow.show, calib.report.terminal_week
os.setuid(65534)
calls = []
for line in sys.argv[2:]:
    with contextlib.redirect_stdout(io.StringIO()) as printed, contextlib.redirect_stderr(printed):
        calls.append((run(line.split()), printed.getvalue()))
print(json.dumps(calls))
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only root can become somebody who may not write")
def test_somebody_without_rights_is_told_which_ones_lack(weekly_once, monkeypatch):
    with tempfile.TemporaryDirectory() as name:  # the folder that pytest makes is for its owner alone
        lab, other, hidden = Path(name, "lab"), Path(name, "other"), Path(name, "hidden")
        for folder in (lab, other):
            shutil.copytree(weekly_once, folder)
            folder.chmod(0o755)
        Path(name).chmod(0o755)
        hidden.mkdir(mode=0o700)
        monkeypatch.chdir(lab)

        def as_nobody(*lines):
            """Status and what was said of each line, one after another in one program."""
            words = [sys.executable, "-c", AS_NOBODY, str(other), *lines]
            done = subprocess.run(words, capture_output=True, text=True, check=True)
            return [tuple(one) for one in json.loads(done.stdout.splitlines()[-1])]

        no_page = "calib: Nothing can be written into the folder pages. Allow it, or name another with --out.\n"
        first, (status, answer) = as_nobody("week logs", f"week logs --out {hidden}/deep/pages")
        assert first == (2, no_page)
        assert status == 2 and str(hidden) in answer and "Permission denied" in answer
        (lab / "pages").chmod(0o777)
        no_lock = "calib: Nothing can be written into .: Permission denied. Allow it; nothing was changed.\n"
        assert as_nobody("week logs") == [(2, no_lock)]

        secret = lab / "logs" / "secret.csv"
        secret.write_text("build_id\n", encoding="utf-8")
        secret.chmod(0)
        for path in {lab, *lab.rglob("*")} - {secret}:
            os.chown(path, 65534, 65534)
        (lab / "logs" / "sub").mkdir(mode=0o700)
        (status, answer), (of_folder, told_of_folder) = as_nobody("week logs/secret.csv logs/builds.csv", "week logs")
        assert status == 0
        unread = "Not read: logs/secret.csv cannot be read: Permission denied. Check its name and rights. "
        assert " ".join(answer.split()).startswith(unread)
        assert of_folder == 2 and "logs/sub" in told_of_folder and "Permission denied" in told_of_folder


def started(lab, *line):
    return subprocess.Popen(
        [sys.executable, "-m", "calib", *line, "--shop", str(lab)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def started_week(lab):
    """A weekly run that has taken its lock."""
    (lab / LOCK_NAME).unlink(missing_ok=True)
    process = started(lab, "week", "logs")
    while not (lab / LOCK_NAME).exists():
        assert process.poll() is None, process.communicate()
        time.sleep(0.01)
    return process


@pytest.mark.slow
def test_of_two_weekly_runs_at_once_one_wins_and_the_other_says_so(weekly):
    write_logs(weekly / "logs", builds=40)
    both = [started(weekly, "week", "logs") for _ in range(2)]
    answer = [process.communicate() for process in both]
    assert sorted(process.returncode for process in both) == [0, 2]
    lost = next(err for process, (_, err) in zip(both, answer, strict=True) if process.returncode)
    assert lost == (
        f"calib: Another weekly run is at work in {weekly}; nothing was changed. Let it end, then try again.\n"
    )
    assert counted(weekly) == 80
    assert counted(weekly, "fit") == 2
    assert problems(weekly) == []


@pytest.mark.slow
def test_an_import_beside_a_weekly_run_loses_nothing(weekly):
    write_logs(weekly / "logs", builds=40)
    (weekly / "more.csv").write_text("build_id,stage,date,work_min\nB001,sanding,2026-01-08,5\n", encoding="utf-8")
    one = started_week(weekly)
    other = started(weekly, "import", "more.csv")
    answer = [process.communicate() for process in (one, other)]
    assert [one.returncode, other.returncode] == [0, 0], answer
    assert counted(weekly) == 81
    assert problems(weekly) == []


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")
@pytest.mark.parametrize("after_s", [0.0, 0.5, 1.5])
def test_a_killed_weekly_run_blocks_no_other(weekly, calib, after_s):
    write_logs(weekly / "logs", builds=40)
    process = started_week(weekly)
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert calib("week logs")[0] == 0
    assert counted(weekly) == 80
    assert problems(weekly) == []
