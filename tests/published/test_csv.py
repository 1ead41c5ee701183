"""The examples of RFC 4180, section 2 (texts from memory: the RFC is not among the project's references)."""

from __future__ import annotations

import io

from calib.logs.text_file import Dialect, rows


def cells(text: bytes, width: int) -> list[list[str]]:
    dialect = Dialect("utf-8-sig", ",", 0, tuple("c" * width))
    return [row.cells for row in rows(io.BytesIO(text), dialect) if not row.fault]


def test_records_end_with_or_without_a_last_line_break():
    # Rules 1 and 2.
    assert cells(b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", 3) == cells(b"aaa,bbb,ccc\r\nzzz,yyy,xxx", 3)


def test_fields_in_quotes():
    # Rule 5.
    assert cells(b'"aaa","bbb","ccc"\r\nzzz,yyy,xxx', 3) == [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]


def test_line_breaks_commas_and_quotes_inside_quotes():
    # Rules 6 and 7.
    assert cells(b'"aaa","b \r\nbb","ccc"\r\nzzz,yyy,xxx', 3)[0] == ["aaa", "b \r\nbb", "ccc"]
    assert cells(b'"aaa","b""bb","ccc"', 3) == [["aaa", 'b"bb', "ccc"]]
