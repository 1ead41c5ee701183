"""Files made to harm, through the commands as people call them: a sentence, in bounded memory and time, never a traceback.

The figures are printed: pytest -m slow -s tests/test_hostile_files.py
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import hostile_files
import pytest

from calib.cli.app import run
from calib.shop.template import shop_text

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such figures there")]
LONG = os.environ.get("CALIB_LONG") == "1"  # the rare bombs too
# A small process between: a child's peak of memory begins at that of the process it was forked from.
LAUNCHER = """
import resource, subprocess, sys
with open("out.txt", "w") as out:
    status = subprocess.call(sys.argv[1:], stdin=subprocess.DEVNULL, stdout=out, stderr=out)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(status, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024)
"""
MOST_BYTES, PER_BYTE, MOST_S = 1 << 30, 20, 60.0


@pytest.fixture
def lab(tmp_path):
    (tmp_path / "shop.toml").write_text(shop_text("Europe/London"), encoding="utf-8")
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "builds.csv").write_text("build_id,process,machine,parts\nB1,MEX,m1,1\n")
    (tmp_path / "part.stl").write_bytes(b"\0" * 80 + (1).to_bytes(4, "little") + b"\0" * 50)
    return tmp_path


def call(lab: Path, line: str) -> tuple[int, str, float, float, int]:
    """Status, what it said, seconds of CPU and by the clock, and the most memory of it and its children in bytes."""
    began = time.perf_counter()
    command = [sys.executable, "-S", "-c", LAUNCHER, sys.executable, "-m", "calib", *line.split()]
    status, cpu_s, most = subprocess.run(command, cwd=lab, stdout=subprocess.PIPE, text=True, check=True).stdout.split()
    clock_s = time.perf_counter() - began
    return int(status), (lab / "out.txt").read_text(), float(cpu_s), clock_s, int(most)


@contextmanager
def no_longer_than(seconds: int) -> Iterator[None]:
    """A read that waits for ever is an error."""

    def stop(*_: object) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def test_only_plain_files_are_opened(lab, capsys, monkeypatch):
    """In this process: nothing is read of them, so nothing has to be limited but the wait."""
    monkeypatch.chdir(lab)
    failures = []
    for door, name in hostile_files.DOORS.items():
        for make in hostile_files.ODD_FILES:
            path = lab / f"{make.__name__}_{name}"
            make(path)
            try:
                with no_longer_than(20):
                    status = run(hostile_files.COMMANDS[door].format(path.name).split())
            except Exception as error:
                status = repr(error)
            answer = capsys.readouterr().err
            failures += [f"{make.__name__} to {door}: {status} {answer[-300:]}"] if status != 2 else []
            path.rmdir() if make is hostile_files.folder else path.unlink()
    print(f"\nno plain file: {len(hostile_files.DOORS) * len(hostile_files.ODD_FILES)} attacks, {len(failures)} failed")
    assert not failures, "\n".join(failures)


def test_files_larger_inside_than_outside(lab):
    rows, failures = [], []
    for make, name, door in hostile_files.BOMBS + hostile_files.RARE_BOMBS * LONG:
        path = lab / name
        make(path)
        status, answer, cpu_s, clock_s, most = call(lab, hostile_files.COMMANDS[door].format(name))
        allowed = max(MOST_BYTES, PER_BYTE * path.stat().st_size)
        faults = {
            f"status {status}": status not in (0, 2),
            answer[-300:]: "Traceback" in answer or "fault of calib" in answer,
            f"{most >> 20} MB": most > allowed,
            f"{cpu_s:.0f} s": cpu_s > MOST_S,
        }
        rows.append((make.__name__, door, cpu_s, most >> 20))
        print(
            f"\n  {make.__name__} to {door}: {status}, {most >> 20} MB, {cpu_s:.1f} s ({clock_s:.0f}): {answer[-160:].strip()}"
        )
        failures += [f"{make.__name__} to {door}: {text}" for text, is_so in faults.items() if is_so]
        path.unlink()
    print(f"\nlarger inside than outside: {len(rows)} attacks, {len(failures)} failed")
    for place, unit in ((3, "MB at most"), (2, "s of CPU at most")):
        worst = max(rows, key=lambda row: row[place])
        print(f"  {worst[place]:.0f} {unit}: {worst[0]} to {worst[1]}")
    assert not failures, "\n".join(failures)


def test_the_finest_mesh_that_may_be_is_measured(lab):
    hostile_files.large_stl(lab / "x.stl")
    status, answer, cpu_s, _, most = call(lab, "measure x.stl")
    print(f"\n  4.84 million faces: {most >> 20} MB, {cpu_s:.1f} s of CPU")
    assert status == 0 and "314." in answer  # surface of a sphere of 100 mm in square centimetres
    assert cpu_s < MOST_S and most < PER_BYTE * (lab / "x.stl").stat().st_size


def test_no_number_is_too_large_to_be_asked(lab):
    for line in (
        "pieces 1000000000 --yield 0.9",
        f"pieces {'9' * 400} --yield 0.9",
        f"quote part.stl --qty {'9' * 400}",
    ):
        status, answer, cpu_s, *_ = call(lab, line)
        assert (status, cpu_s < MOST_S) == (2, True), answer
        assert "fault of calib" not in answer
