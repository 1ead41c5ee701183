"""Files of every form: the same rows from each, what is refused, and what a shop gets to write its logs with."""

from __future__ import annotations

import gzip
import io
import json
import os
import zipfile
from datetime import datetime

import duckdb
import pytest
from openpyxl import Workbook, load_workbook
from written_tables import ods

from calib.errors import LogFileError
from calib.logs import text_file
from calib.logs.columns import KINDS
from calib.logs.how_to_fill import MEANING, example_csv
from calib.logs.mapping import Mapping
from calib.logs.read_plan import read_plan
from calib.logs.workbook import write_templates
from calib.store.imports import ImportOptions, import_files
from calib.store.open_store import open_store
from calib.store.runs import find_runs

ROW = {
    "build_id": "B1",
    "stage": "washing",
    "started_at": "2026-01-05T00:00:00",
    "ended_at": "2026-01-05T00:20:00",
    "parts": 3,
}


def take_in(folder, *paths):
    return import_files(folder, list(paths), ImportOptions("Europe/Berlin"))


def new_rows(document):
    return [file["rows_new"] + file["rows_held"] for file in document["files"]]


def written(tmp_path, form):
    path = tmp_path / f"log.{form}"
    csv = ",".join(ROW) + "\n" + ",".join(map(str, ROW.values())) + "\n"
    match form:
        case "xlsx":
            book = Workbook()
            book.active.append(["Lab log", None])
            book.active.append(list(ROW))
            stamps = [datetime.fromisoformat(ROW[name]) for name in ("started_at", "ended_at")]
            book.active.append([ROW["build_id"], ROW["stage"], *stamps, ROW["parts"]])
            book.save(path)
        case "jsonl":
            path.write_text(json.dumps(ROW) + "\n", encoding="utf-8")
        case "json":
            path.write_text(json.dumps([ROW]), encoding="utf-8")
        case "parquet":
            duckdb.sql(
                "SELECT 'B1' build_id, 'washing' stage, TIMESTAMP '2026-01-05 00:00' started_at, "
                "TIMESTAMP '2026-01-05 00:20' ended_at, 3 parts"
            ).write_parquet(str(path))
        case "csv.gz":
            path.write_bytes(gzip.compress(csv.encode()))
        case "tsv":
            path.write_text(csv.replace(",", "\t"), encoding="utf-16")
    return path


@pytest.mark.parametrize("form", ["xlsx", "jsonl", "json", "parquet", "csv.gz", "tsv"])
def test_the_same_row_from_every_form_is_one_row(tmp_path, form):
    take_in(tmp_path, write(tmp_path / "b.csv", "build_id,process,machine,parts\nB1,SLA,M1,3\n"))
    assert new_rows(take_in(tmp_path, written(tmp_path, form))) == [1]
    document = take_in(tmp_path, written(tmp_path, "jsonl"))
    assert document["files"][0]["rows_repeated"] == 1
    with open_store(tmp_path) as con:
        assert find_runs(con)["work_min"].tolist() == [20]


def write(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def test_templates_can_be_filled_and_imported(tmp_path):
    files, _ = write_templates(tmp_path, ("M1",), ("bench",))
    assert sorted(path.name for path in files) == [
        "bench_card.html", "builds.csv", "events.csv", "how_to_fill.md", "items.csv", "logs.xlsx", "stages.csv",
    ]  # fmt: skip
    path = tmp_path / "templates" / "logs.xlsx"
    book = load_workbook(path)
    assert book["stages"].data_validations.dataValidation
    book["builds"].append(["B1", "VPP", "M1", 3])
    book["stages"].append(["B1", None, "washing", datetime(2026, 1, 5), datetime(2026, 1, 5, 0, 20)])
    book.save(path)
    document = take_in(tmp_path, path)
    assert [(file["kind"], file["rows_new"]) for file in document["files"]] == [("builds", 1), ("stages", 1)]


def test_templates_are_written_anew_where_nobody_has_filled_them(tmp_path):
    written, _ = write_templates(tmp_path, ("M1",))
    assert write_templates(tmp_path, ("M1", "M2"), stages=("vapour_smoothing",)) == (written, [])
    workbook = tmp_path / "templates" / "logs.xlsx"
    book = load_workbook(workbook)
    assert {"M2", "vapour_smoothing"} <= {cell for row in book["lists"].values for cell in row}
    book["stages"].append(["B1", None, "washing"])
    book.save(workbook)
    builds = tmp_path / "templates" / "builds.csv"
    builds.write_text(builds.read_text() + "B1,VPP,M1,3\n")
    before = workbook.read_bytes(), builds.read_bytes()
    _, left = write_templates(tmp_path, ("M3",))
    assert left == [builds, workbook]
    assert (workbook.read_bytes(), builds.read_bytes()) == before


def test_every_column_says_what_it_means_in_the_workbook_and_the_guide(tmp_path):
    write_templates(tmp_path)
    book = load_workbook(tmp_path / "templates" / "logs.xlsx")
    guide = (tmp_path / "templates" / "how_to_fill.md").read_text(encoding="utf-8")
    for kind, columns in KINDS.items():
        assert [cell.comment.text.removeprefix("Needed. ") for cell in book[kind][1]] == [
            MEANING[column.name] for column in columns
        ]
        assert all(f"- `{column.name}`: {MEANING[column.name]}" in guide for column in columns)
    assert MEANING.keys() == {column.name for columns in KINDS.values() for column in columns}


def test_the_examples_of_the_guide_would_come_in(tmp_path):
    builds = example_csv("builds") + example_csv("builds").splitlines()[1].replace("B104", "B105") + "\n"
    texts = [builds] + [example_csv(kind) for kind in ("stages", "items", "events")]
    document = take_in(tmp_path, *(write(tmp_path / f"{place}.csv", text) for place, text in enumerate(texts)))
    assert [(file["kind"], file["rows_new"]) for file in document["files"]] == [
        ("builds", 2), ("stages", 3), ("items", 2), ("events", 1),
    ]  # fmt: skip


def test_the_bench_card_has_the_cautions_and_no_script(tmp_path):
    write_templates(tmp_path)
    page = (tmp_path / "templates" / "bench_card.html").read_text(encoding="utf-8")
    assert "combustible dust" in page
    assert "<script" not in page


def test_a_gzip_bomb_is_refused(tmp_path):
    path = tmp_path / "bomb.csv.gz"
    path.write_bytes(gzip.compress(b"build_id,stage\n" + (b"x" * 9_999 + b"\n") * 3000, 9))
    with pytest.raises(LogFileError, match="expands to far more"):
        take_in(tmp_path, path)


@pytest.mark.parametrize("pack", [gzip.compress, bytes])
def test_lines_and_lines_of_nothing_are_refused_before_they_take_minutes(tmp_path, pack):
    path = tmp_path / "blank.csv.gz"
    path.write_bytes(pack(b"build_id,process,machine,parts\nB1,MEX,mex1,1\n" + b"\n" * 1_000_001))
    with pytest.raises(
        LogFileError, match=r"blank\.csv\.gz has more than 1,000,000 blank lines below line 2\. Take them out"
    ):
        take_in(tmp_path, path)


def test_a_first_line_too_long_for_names_is_said_to_be(tmp_path):
    names = "build_id,process,machine,parts," + ",".join(f"{'x' * 100}{number}" for number in range(700))
    with pytest.raises(LogFileError, match="begins with a line of more than 64 KB, which cannot be its column names"):
        take_in(tmp_path, write(tmp_path / "long.csv", names + "\nB1,MEX,mex1,1\n"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("read", [take_in, lambda folder, path: read_plan(path)])
def test_a_pipe_is_refused_and_not_waited_for(tmp_path, read):
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(LogFileError, match=r"pipe\.csv is a pipe or a device, not a file\. Save what it gives"):
        read(tmp_path, tmp_path / "pipe.csv")


@pytest.mark.parametrize("place", [(1 << 20, 1 << 14), (1_000_000, 100)], ids=str)
def test_a_sheet_with_one_cell_far_from_its_table_is_refused(tmp_path, place):
    book, path = Workbook(), tmp_path / "far.xlsx"
    book.active.append(list(ROW))
    book.active.cell(*place, "x")
    book.save(path)
    with pytest.raises(LogFileError, match=r"nearly all empty\. Delete what stands far from its table"):
        take_in(tmp_path, path)


def test_a_log_of_too_many_columns_is_refused(tmp_path):
    names = ",".join(["build_id", "stage", *(f"c{number}" for number in range(2000))])
    with pytest.raises(LogFileError, match="has more than 2,000 columns"):
        take_in(tmp_path, write(tmp_path / "wide.csv", names + "\nB1,packing\n"))


def test_half_a_letter_in_json_is_a_question_mark(tmp_path):
    path = write(tmp_path / "log.jsonl", json.dumps({**ROW, "build_id": "B\ud800", "no\udfffte": "1"}))
    assert new_rows(take_in(tmp_path, path)) == [1]
    with open_store(tmp_path) as con:
        assert con.execute("SELECT build_id, extra FROM stage_run").fetchone() == ("B?", '{"no?te":"1"}')


def test_a_plan_is_read_without_a_store_and_its_bad_rows_told(tmp_path):
    plan = write(
        tmp_path / "plan.csv", "build_id,process,machine,parts\nP1,sls,bed-1,30\nP2,resin,M1,0\nP1,sls,bed-1,3\n"
    )
    frame, bad = read_plan(plan)
    assert frame[["build_id", "process", "parts"]].to_dict("records") == [
        {"build_id": "P1", "process": "PBF", "parts": 30}
    ]
    assert bad == [
        'plan.csv line 3, column process: "resin" is no process; write MEX, VPP or PBF',
        'plan.csv line 3, column parts: "0" must be 1 or more',
        'plan.csv line 4, column build_id: "P1" stands there twice',
    ]
    with pytest.raises(LogFileError, match="is a log of stages, not of builds"):
        read_plan(written(tmp_path, "jsonl"))


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("filling", ["x", ",", '"', " ,"])
def test_lines_behind_one_too_long_keep_their_numbers(monkeypatch, filling, ending):
    monkeypatch.setattr(text_file, "LONGEST_LINE", 50)
    text = ending.join(["a,b", "1,2", "3," + filling * 200, "4,5", ""])
    dialect = text_file.Dialect(encoding="utf-8", delimiter=",", header_line=1, names=("a", "b"))
    found = list(text_file.rows(io.BytesIO(text.encode()), dialect))
    assert [(row.line, bool(row.fault)) for row in found] == [(2, False), (3, True), (4, False)]
    assert found[-1].cells == ["4", "5"]


BUILDS = [["build_id", "process", "machine", "parts"], ["B1", "SLA", "M1", 3]]
STAGES = [["A lab's log"], ["build_id", "stage", "started_at", "work_min"], ["B1", "sanding", "2026-01-05T08:00", 45.5]]


def test_every_sheet_that_is_a_log_is_read(tmp_path):
    path = ods(tmp_path / "log.ods", {"builds": BUILDS, "Week 2": STAGES, "empty": []})
    files = import_files(tmp_path, [path], ImportOptions("Europe/Berlin"))["files"]
    assert [(file["path"].partition("#")[2], file["kind"], file["rows_new"]) for file in files] == [
        ("builds", "builds", 1), ("Week 2", "stages", 1),
    ]  # fmt: skip


def test_the_sheet_that_a_mapping_names_is_read_alone(tmp_path):
    path = ods(tmp_path / "log.ods", {"builds": BUILDS, "Week 2": STAGES})
    (file,) = import_files(tmp_path, [path], ImportOptions("Europe/Berlin", mappings=(Mapping(sheet="Week 2"),)))[
        "files"
    ]
    assert (file["kind"], file["rows_read"], file["rows_held"]) == ("stages", 1, 1)


def test_a_mapping_of_a_sheet_that_is_not_there_says_which_ones_are(tmp_path):
    path = ods(tmp_path / "log.ods", {"Woche 1": [["Auftrag", "Dauer"], ["A1", 5]], "Woche 2": [["x", "y"], [1, 2]]})
    with pytest.raises(LogFileError, match='is for a sheet "Week 3", and it has "Woche 1", "Woche 2"'):
        import_files(tmp_path, [path], ImportOptions("Europe/Berlin", mappings=(Mapping(sheet="Week 3"),)))
    (tmp_path / "log.csv").write_text("Auftrag,Dauer\nA1,5\n", encoding="utf-8")
    theirs = Mapping(kind="stages", sheet="Week 3", columns={"build_id": ("Job",), "work_min": ("Dauer",)})
    with pytest.raises(LogFileError, match='the mapping names "Job", which it lacks'):  # a text has no sheets
        import_files(tmp_path, [tmp_path / "log.csv"], ImportOptions("Europe/Berlin", mappings=(theirs,)))


def test_a_spreadsheet_that_expands_beyond_reason_is_refused(tmp_path):
    path = tmp_path / "bomb.ods"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("content.xml", b" " * (1 << 25))
    with pytest.raises(LogFileError, match="expands to far more than its size allows"):
        import_files(tmp_path, [path], ImportOptions("Europe/Berlin"))
