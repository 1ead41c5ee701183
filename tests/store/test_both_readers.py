"""A large log is read by the engine, a small or untidy one by us: what comes in and what is set aside is the same."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from shop_folder import COUNTS, take_in
from test_trust import LONG

from calib.logs import read_table
from calib.store.open_store import open_store

HEADER = b"build_id,stage,started_at,ended_at,station,operator,note\n"
FIRST_KB = 1 << 16  # behind these bytes: there the encoding is told already


def row(file: int, number: int) -> bytes:
    day, minute = 1 + number % 28, number % 60
    return b"B%d-%06d,printing,2026-01-%02dT08:%02d,2026-01-%02dT12:00,M1,,note\n" % (file, number, day, minute, day)


def put(mark: bytes, instead_of: bytes = b"note") -> Callable[[bytes], bytes]:
    return lambda line: line.replace(instead_of, mark)


# What may happen to a line, and whether its row is set aside for it; rows are those of one line where nothing is said.
FAULTS: dict[str, tuple[Callable[[bytes], bytes], int]] = {
    "a cell too many": (lambda line: line[:-1] + b",more\n", 1),
    "an empty cell too many": (lambda line: line[:-1] + b",\n", 0),
    "cells that lack at the end": (lambda line: b",".join(line.split(b",")[:4]) + b"\n", 0),
    "a word alone": (lambda line: b"hello\n", 1),
    "a quote never closed": (put(b'"note'), 1),
    "a quote never closed before all cells": (lambda line: b'"' + line, 1),
    "inches": (put(b'5" plate'), 0),
    "inches twice": (put(b'5" by 6"'), 0),
    "a delimiter in quotes": (put(b'"no,te"'), 0),
    "quotes in quotes": (put(b'"no""te"'), 0),
    "blanks around quotes": (put(b' "note" '), 0),
    "text behind a quote": (put(b'"no"te'), 0),
    "a backslash before a quote": (put(rb'"no\"te"'), 0),
    "a cell over two lines": (put(b'"no\nte"'), 0),
    "a cell over sixty lines": (put(b'"no' + b"\n" * 60 + b'te"'), 2),
    "CR LF": (lambda line: line[:-1] + b"\r\n", 0),
    "CR": (lambda line: line[:-1] + b"\r", 0),
    "CR in a cell": (put(b"no\rte"), 1),
    "a Latin-1 byte": (put(b"Gr\xf6\xdfe"), 1),
    "half a letter": (put(b"\xed\xa0\x80"), 1),
    "a zero byte": (put(b"no\x00te"), 1),
    "an empty line": (lambda line: line + b"\n", 0),
    "a line of blanks": (lambda line: line + b"  \n", 0),
    "a line of delimiters": (lambda line: line + b",,,,,,\n", 0),
    "a cell without end": (put(b"n" * 1_100_000), 1),
    "no-break spaces": (put(b"\xc2\xa0M1 ", b"M1"), 0),
    "tabs": (put(b"\tM1", b"M1"), 0),
    "another mark of order": (lambda line: b"\xef\xbb\xbf" + line, 0),
    "Unicode's ends of lines": (put("no\u2028\x85\x0b\x1cte".encode()), 0),
    "no end of the last line": (lambda line: line, 0),
    "CR LF but in one line": (lambda line: line, 0),
}


def rows_of(file: int, size: int) -> int:
    return max(3, size // len(row(file, 0)))


def logs(folder: Path, faults: list[str], size: int, seed: int) -> Iterator[Path]:
    """One file of about so many bytes for each fault, in a line that is drawn."""
    draw = random.Random(seed)
    for file, name in enumerate(faults):
        lines = [row(file, number) for number in range(rows_of(file, size))]
        first = FIRST_KB // len(lines[0]) + 1 if size > FIRST_KB else len(lines) // 2
        hit = draw.randrange(first, len(lines))  # behind the bytes from which the encoding is told
        if name == "CR LF but in one line":
            lines = [line[:-1] + (b"\n" if number == hit else b"\r\n") for number, line in enumerate(lines)]
        lines[hit] = FAULTS[name][0](lines[hit])
        text = HEADER + b"".join(lines)
        path = folder / f"{file}.csv"
        path.write_bytes(text[:-1] if name == "no end of the last line" else text)
        yield path


def read_by(shop: Path, paths: list[Path], monkeypatch, direct_from: int) -> tuple[list, list, list]:
    """Counts of each file, what is set aside, and what is stored, of a new shop."""
    monkeypatch.setattr(read_table, "DIRECT_FROM_BYTES", direct_from)
    shop.mkdir()
    files = take_in(shop, *paths)["files"]
    with open_store(shop, read_only=True) as con:
        aside = con.execute(
            "SELECT file_id, line, column_name, reason, row_text FROM quarantine ORDER BY ALL"
        ).fetchall()
        stored = con.execute("SELECT * EXCLUDE (raw_hash) FROM stage_run ORDER BY ALL").fetchall()
    return [[file[name] for name in COUNTS] for file in files], aside, stored


def check(tmp_path: Path, monkeypatch, faults: list[str], size: int, direct_from: int = 0) -> None:
    paths = list(logs(tmp_path, faults, size, seed=size))
    ours = read_by(tmp_path / "ours", paths, monkeypatch, direct_from=1 << 60)
    engines = read_by(tmp_path / "engines", paths, monkeypatch, direct_from)
    for file, (name, counts, others) in enumerate(zip(faults, ours[0], engines[0], strict=True)):
        assert counts == others, name
        read, quarantined = counts[0], counts[4]
        expected = FAULTS[name][1]
        lost = min(expected, 1) if name != "CR in a cell" else 0  # there a second row begins, and only that is bad
        if name in ("a Latin-1 byte", "half a letter") and size < FIRST_KB:
            expected = lost = 0  # a small file is of that encoding as a whole
        assert (quarantined, read - quarantined) == (expected, rows_of(file, size) - lost), name
    for what, one, other in zip(("set aside", "stored"), ours[1:], engines[1:], strict=True):
        assert Counter(map(str, one)) == Counter(map(str, other)), what


def test_some_small_logs(tmp_path, monkeypatch):
    check(tmp_path, monkeypatch, [*FAULTS][::4], 1_000)


@pytest.mark.slow
@pytest.mark.parametrize("size", [1_000, 80_000])
def test_small_logs(tmp_path, monkeypatch, size):
    check(tmp_path, monkeypatch, [*FAULTS], size)


@pytest.mark.slow
def test_logs_just_large_enough_for_the_engine(tmp_path, monkeypatch):
    faults = [
        "a cell too many",
        "a quote never closed",
        "a Latin-1 byte",
        "a zero byte",
        "inches",
        "a line of delimiters",
        "CR LF but in one line",
    ]
    check(tmp_path, monkeypatch, faults, read_table.DIRECT_FROM_BYTES + 100_000, read_table.DIRECT_FROM_BYTES)


@pytest.mark.slow
@pytest.mark.skipif(not LONG, reason="takes minutes: CALIB_LONG=1")
def test_a_log_of_30_mb(tmp_path, monkeypatch):
    check(tmp_path, monkeypatch, ["a cell too many"], 30_000_000, read_table.DIRECT_FROM_BYTES)
