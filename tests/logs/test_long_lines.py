"""A line too long for any log is one broken row, and those behind it keep their numbers."""

from __future__ import annotations

import io

import pytest

from calib.logs import text_file


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("filling", ["x", ",", '"', " ,"])
def test_lines_behind_one_too_long_keep_their_numbers(monkeypatch, filling, ending):
    monkeypatch.setattr(text_file, "LONGEST_LINE", 50)
    text = ending.join(["a,b", "1,2", "3," + filling * 200, "4,5", ""])
    dialect = text_file.Dialect(encoding="utf-8", delimiter=",", header_line=1, names=("a", "b"))
    found = list(text_file.rows(io.BytesIO(text.encode()), dialect))
    assert [(row.line, bool(row.fault)) for row in found] == [(2, False), (3, True), (4, False)]
    assert found[-1].cells == ["4", "5"]
