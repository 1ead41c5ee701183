"""Which line is the header: the same rule for text, XLSX and ODS, whatever stands above it."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written_tables import as_text, as_xlsx, ods

from calib.errors import LogFileError
from calib.logs.columns import KINDS
from calib.logs.header import find_header
from calib.logs.read_table import read_table
from calib.logs.text_file import DELIMITERS, rows, sniff

FOREIGN = [
    ["Job", "Step", "Start", "End", "Who", "Remarks"],
    ["K-101", "Wash", "2026-01-05 08:00", "2026-01-05 08:20", "Ada", ""],
    ["K-102", "Sand", "2026-01-05 09:00", "2026-01-05 09:45", "Ben", "slow, but fine"],
    ["K-103", "Wash", "2026-01-06 08:00", "2026-01-06 08:25", "Ada", ""],
]
ABOVE = {
    "a title": [["Bench log of January"]],
    "a title, notes and blank lines": [["Bench log"], [], ["Please fill in by hand, thank you"], [], ["Version 3"]],
    "a block of facts": [["Machine", "M1", "Date", "2026-01-05"], []],
    "nine lines": [[f"Note {number}"] for number in range(9)],
}
words = st.text(st.characters(codec="ascii", categories=["L", "N", "P", "Zs"], exclude_characters='"'), max_size=30)


@pytest.mark.parametrize("above", ABOVE.values(), ids=ABOVE)
@pytest.mark.parametrize("form", ["csv", "semicolons", "xlsx", "ods"])
def test_the_same_header_is_found_in_every_form(tmp_path, above, form):
    table = [*above, *FOREIGN]
    path = tmp_path / f"log.{form}"
    match form:
        case "xlsx":
            as_xlsx(path, table)
        case "ods":
            ods(path, {"Week 2": table})
        case _:
            path.write_text(as_text(table, "," if form == "csv" else ";"), encoding="utf-8")
    with pytest.raises(LogFileError) as error:
        read_table(path, tmp_path)
    assert "its columns (Job, Step, Start, End, Who, Remarks) are those of no log" in error.value.message
    assert error.value.message.endswith(f"; line {len(above) + 1} was taken as its header.")


@given(
    st.lists(words, max_size=8),
    st.sampled_from(list(KINDS)),
    st.integers(3, 8),
    st.sampled_from(DELIMITERS),
    st.lists(st.lists(words, min_size=3, max_size=3), max_size=5),
)
@settings(max_examples=150, deadline=None)
def test_a_table_of_ours_is_read_the_same_whatever_lines_stand_above_it(titles, kind, wide, delimiter, body):
    names = [column.name for column in KINDS[kind]][:wide]
    body = [[cell.replace(delimiter, " ") for cell in row] for row in body]
    table = as_text([names, *body], delimiter).encode()
    above = "".join(f"{title}\n" for title in titles).encode()
    alone, moved = (sniff(Path("x.csv"), io.BytesIO(text)) for text in (table, above + table))
    assert moved.names == alone.names == tuple(names)
    assert moved.header_line == len(titles) + 1
    read, again = (
        [row.cells for row in rows(io.BytesIO(text), dialect)]
        for text, dialect in ((table, alone), (above + table, moved))
    )
    assert read == again


@given(st.permutations(FOREIGN[1:]), st.integers(0, 12), st.lists(words, max_size=12))
@settings(max_examples=60, deadline=None)
def test_a_foreign_header_is_found_below_titles_of_one_cell(body, blank, titles):
    above = [[title] for title in titles] + [[]] * blank
    assert find_header([*above, FOREIGN[0], *body]).line == len(above) + 1


def test_a_table_without_a_header_is_not_given_one():
    header = find_header(FOREIGN[1:])
    assert header.line == 0
    assert header.names == tuple(f"column {number}" for number in range(1, 7))


def test_names_that_come_twice_take_the_group_above_them():
    table = [["", "", "Wash", "", "Sand", ""], ["Job", "Day", "from", "to", "from", "to"]]
    table += [[f"B{n}", "2026-01-05", "08:00", "08:20", "09:00", "10:00"] for n in range(3)]
    assert find_header(table).names == ("Job", "Day", "Wash from", "Wash to", "Sand from", "Sand to")


def test_import_says_which_line_was_the_header():
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text("Log of ours\n\nbuild_id,stage,date,work_min\nB1,sanding,2026-01-05,30\n", encoding="utf-8")
        assert read_table(path).notes == ("line 3 was taken as its header",)
        path.write_text("build_id,stage,date,work_min\nB1,sanding,2026-01-05,30\n", encoding="utf-8")
        assert read_table(path).notes == ()
