"""Copies of logs that a killed call left are gone after the next one; those of a call at work stay."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile

import pytest

from calib.scratch import scratch_folder

AT_WORK = (
    "import sys\nfrom calib.scratch import scratch_folder\n"
    "with scratch_folder() as work:\n    (work / 'table0.csv').write_text('Ada Quill')\n"
    "    print(work, flush=True)\n    sys.stdin.readline()\n"
)


@pytest.fixture
def temporary(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def at_work():
    child = subprocess.Popen([sys.executable, "-c", AT_WORK], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert child.stdout.readline().strip()
    return child


def files(folder):
    return list(folder.rglob("*.csv"))


@pytest.mark.skipif(sys.platform == "win32", reason="no signal 9 there")
def test_what_a_kill_left_is_swept_and_what_is_in_use_stays(temporary):
    killed, busy = at_work(), at_work()
    killed.send_signal(signal.SIGKILL)
    killed.communicate()
    assert len(files(temporary)) == 2
    assert {path.stat().st_mode & 0o077 for path in temporary.rglob("call-*") if path.is_dir()} == {0}
    with scratch_folder():
        assert len(files(temporary)) == 1
    busy.communicate("\n")
    assert list(next(temporary.iterdir()).iterdir()) == []


def test_a_folder_that_somebody_else_put_there_is_not_used(temporary):
    with scratch_folder() as work:
        home = work.parent
    home.chmod(0o777)
    with scratch_folder() as work:
        assert work.parent != home
