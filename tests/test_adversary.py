"""Files made to harm, through the commands as people call them: a sentence, in bounded memory and time, never a traceback.

The figures are printed: pytest -m slow -s tests/test_adversary.py
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import hostile_files
import pytest

from calib.shop.template import shop_text

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not hasattr(os, "wait4"), reason="no such figures there")]
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
    with (lab / "out.txt").open("w+") as out:
        child = subprocess.Popen(
            [sys.executable, "-m", "calib", *line.split()], cwd=lab, stdin=subprocess.DEVNULL, stdout=out, stderr=out
        )
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        said = out.read()
    return child.returncode, said, used.ru_utime + used.ru_stime, time.perf_counter() - began, used.ru_maxrss * 1024


def attacks() -> Iterator[tuple[str, object, str, str]]:
    """Family, what writes the file, its name, the command."""
    for door, name in hostile_files.DOORS.items():
        for make in hostile_files.ODD_FILES:
            yield "no plain file", make, name, door
    for make, name, door in hostile_files.BOMBS:
        yield "larger inside than outside", make, name, door


def test_hostile_files(lab):
    figures, failures = [], []
    for family, make, name, door in attacks():
        path = lab / "inside" / name
        path.parent.mkdir()
        make(path)
        size = path.stat().st_size if path.is_file() else 0
        status, said, cpu_s, _, most = call(lab, hostile_files.COMMANDS[door].format(f"inside/{name}"))
        allowed = max(MOST_BYTES, PER_BYTE * size)
        bad = [
            text
            for is_so, text in (
                (status not in (0, 2), f"status {status}"),
                ("Traceback" in said, "traceback"),
                ("fault of calib" in said, said[-300:]),
                (most > allowed, f"{most >> 20} MB"),
                (cpu_s > MOST_S, f"{cpu_s:.0f} s"),
            )
            if is_so
        ]
        figures.append((family, make.__name__, door, cpu_s, most >> 20, bool(bad)))
        failures += [f"{make.__name__} to {door}: {', '.join(bad)}"] if bad else []
        if path.is_dir() and not path.is_symlink():
            path.rmdir()
        else:
            path.unlink()
        path.parent.rmdir()
    for family in dict.fromkeys(row[0] for row in figures):
        rows = [row for row in figures if row[0] == family]
        print(f"\n{family}: {len(rows)} attacks, {sum(row[5] for row in rows)} failed")
        for place, unit in ((4, "MB at most"), (3, "s of CPU at most")):
            worst = max(rows, key=lambda row: row[place])
            print(f"  {worst[place]:.0f} {unit}: {worst[1]} to {worst[2]}")
    assert not failures, "\n".join(failures)


def test_no_number_is_too_large_to_be_asked(lab):
    for line in (
        "pieces 1000000000 --yield 0.9",
        f"pieces {'9' * 400} --yield 0.9",
        f"quote part.stl --qty {'9' * 400}",
    ):
        status, said, cpu_s, *_ = call(lab, line)
        assert (status, cpu_s < MOST_S) == (2, True), said
        assert "fault of calib" not in said
