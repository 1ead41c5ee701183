"""Bad log files by the thousand: good ones of every form, damaged in the ways that disks, editors and people damage files."""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from collections.abc import Iterator

CSV = (
    "build_id,stage,started_at,ended_at,station,note\n"
    "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,\n"
    'B1+B2,washing,2026-01-05 13:00:00,2026-01-05 13:20:00+01:00,W,"two, lines\nof it"\n'
    "B3,sanding,2026-03-29T02:30,,bench,Größe\n"
)
BUILDS = "build_id;process;machine;parts;material_g\nB1;SLA;M1;3;12,5\nB2;MEX;M2;4;\n"
LINES = (
    '{"build_id": "B1", "stage": "packing", "started_at": "2026-01-06T08:00", "parts": 3}\n[1]\n{"build_id": null}\n'
)
XML = (
    '<MTConnectStreams><Streams><DeviceStream name="M1"><Execution timestamp="2026-01-05T08:00:00Z">ACTIVE</Execution>'
    '<Program timestamp="2026-01-05T08:00:00Z">B1</Program><Execution timestamp="2026-01-05T09:00:00Z">READY</Execution>'
    "</DeviceStream></Streams></MTConnectStreams>"
)
TOKENS = [
    b'"', b'""', b",", b";", b"\t", b"|", b"\n", b"\r\n", b"\r", b"\x00", b"\xe4", b"\xff\xfe", b"\xef\xbb\xbf", b"B1+", b"'", b"--",
    b"2026-03-29T02:30", b"9999-99-99T99:99", b"1,5", b"1_000", b"-", b"nan", b"inf", b"1e999", b"=cmd|' /C'!A1", b"\xc2\xa0", b"{", b"}",
    b"]", b"<", b"&e;", b"<!DOCTYPE x>", b"packing", b"build_id", b"order_id", b"run_id", b"work_min", b"../../etc/passwd", b"+",
    b"'); DROP TABLE build; --", b"<script>", b"\xf0\x9f\x98\x80", b"0" * 400, b"a" * 70_000,
]  # fmt: skip


def workbook() -> bytes:
    from openpyxl import Workbook

    book, out = Workbook(), io.BytesIO()
    for line in CSV.splitlines()[:2]:
        book.active.append(line.split(","))
    book.save(out)
    return out.getvalue()


def parquet() -> bytes:
    import tempfile
    from pathlib import Path

    import duckdb

    with tempfile.TemporaryDirectory() as folder, duckdb.connect() as con:
        path = Path(folder) / "log.parquet"
        con.execute(
            f"COPY (SELECT 'B1' AS build_id, 'packing' AS stage, now() AS started_at) TO '{path}' (FORMAT parquet)"
        )
        return path.read_bytes()


def good_files() -> list[bytes]:
    texts = [CSV.encode(), BUILDS.encode(), CSV.encode("utf-16"), CSV.encode("cp1252"), LINES.encode(), XML.encode()]
    return [*texts, gzip.compress(texts[0]), workbook(), parquet(), _zip_of(CSV), b"", CSV.splitlines()[0].encode()]


def _zip_of(text: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("log.csv", text)
    return out.getvalue()


def bad_files(count: int, seed: int) -> Iterator[bytes]:
    """So many files, the same for the same seed."""
    draw, good = random.Random(seed), good_files()
    for _ in range(count):
        content = draw.choice(good)
        for _ in range(draw.choice([1, 1, 2, 4, 12])):
            content = damaged(content, draw)
        yield content


def damaged(content: bytes, draw: random.Random) -> bytes:
    """A token put in, a piece cut out, doubled, or a byte changed, anywhere."""
    low, high = sorted(draw.randrange(len(content) + 1) for _ in range(2))
    match draw.randrange(6):
        case 0 | 1:
            return content[:low] + draw.choice(TOKENS) + content[low:]
        case 2:
            return content[:low] + content[high:]
        case 3:
            return content[:low]
        case 4:
            return content[:high] + content[low:]
        case _:
            return content[:low] + bytes([draw.randrange(256)]) + content[low + 1 :]
