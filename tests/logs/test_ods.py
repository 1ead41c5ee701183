"""A log in an OpenDocument spreadsheet: sheets by what they are, or the one that a mapping names."""

from __future__ import annotations

import zipfile

import pytest

from calib.errors import LogFileError
from calib.logs.mapping import Mapping
from calib.store.imports import import_files

KIND = "application/vnd.oasis.opendocument.spreadsheet"
SPACES = " ".join(
    f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
)
BUILDS = [["build_id", "process", "machine", "parts"], ["B1", "SLA", "M1", 3]]
STAGES = [["A lab's log"], ["build_id", "stage", "started_at", "work_min"], ["B1", "sanding", "2026-01-05T08:00", 45.5]]


def ods(path, sheets):
    """A spreadsheet of OpenDocument 1.2 with texts and numbers."""
    tables = "".join(
        f'<table:table table:name="{name}">{"".join(map(row_of, rows))}</table:table>' for name, rows in sheets.items()
    )
    body = f"<office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body>"
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {SPACES}>{body}</office:document-content>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", KIND, zipfile.ZIP_STORED)
        archive.writestr("content.xml", content)
        archive.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{KIND}"/></manifest:manifest>',
        )
    return path


def row_of(cells):
    return f"<table:table-row>{''.join(map(cell_of, cells))}</table:table-row>"


def cell_of(value):
    number = (
        f'office:value-type="float" office:value="{value}"'
        if not isinstance(value, str)
        else 'office:value-type="string"'
    )
    return f"<table:table-cell {number}><text:p>{value}</text:p></table:table-cell>"


def test_every_sheet_that_is_a_log_is_read(tmp_path):
    path = ods(tmp_path / "log.ods", {"builds": BUILDS, "Week 2": STAGES, "empty": []})
    files = import_files(tmp_path, [path], "Europe/Berlin")["files"]
    assert [(file["path"].partition("#")[2], file["kind"], file["rows_new"]) for file in files] == [
        ("builds", "builds", 1), ("Week 2", "stages", 1),
    ]  # fmt: skip


def test_the_sheet_that_a_mapping_names_is_read_alone(tmp_path):
    path = ods(tmp_path / "log.ods", {"builds": BUILDS, "Week 2": STAGES})
    (file,) = import_files(tmp_path, [path], "Europe/Berlin", mapping=Mapping(sheet="Week 2"))["files"]
    assert (file["kind"], file["rows_read"], file["rows_held"]) == ("stages", 1, 1)
    with pytest.raises(LogFileError, match='has no sheet "Week 3"'):
        import_files(tmp_path, [path], "Europe/Berlin", mapping=Mapping(sheet="Week 3"))


def test_a_spreadsheet_that_expands_beyond_reason_is_refused(tmp_path):
    path = tmp_path / "bomb.ods"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("content.xml", b" " * (1 << 25))
    with pytest.raises(LogFileError, match="expands to far more than its size allows"):
        import_files(tmp_path, [path], "Europe/Berlin")
