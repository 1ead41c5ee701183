"""A log in an OpenDocument spreadsheet: sheets by what they are, or the one that a mapping names."""

from __future__ import annotations

import zipfile

import pytest
from written_tables import ods

from calib.errors import LogFileError
from calib.logs.mapping import Mapping
from calib.store.imports import ImportOptions, import_files

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
