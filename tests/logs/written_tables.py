"""Tables written as text, XLSX and ODS (no library of the environment writes that one), for the tests of reading them."""

from __future__ import annotations

import zipfile
from datetime import date, datetime

from openpyxl import Workbook

KIND = "application/vnd.oasis.opendocument.spreadsheet"
SPACES = " ".join(
    f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
)


def as_text(table, delimiter=","):
    return "\n".join(delimiter.join(f'"{cell}"' if delimiter in cell else cell for cell in row) for row in table) + "\n"


def as_xlsx(path, table, title="Sheet"):
    book = Workbook()
    book.active.title = title
    for row in table:
        book.active.append(row)
    book.save(path)
    return path


def ods(path, sheets):
    """A spreadsheet of OpenDocument 1.2 with texts, numbers and days."""
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
    return f"<table:table-row>{''.join(map(cell_of, cells or ['']))}</table:table-row>"


def cell_of(value):
    match value:
        case str():
            kind = 'office:value-type="string"'
        case datetime() | date():
            kind = f'office:value-type="date" office:date-value="{value.isoformat()}"'
        case _:
            kind = f'office:value-type="float" office:value="{value}"'
    return f"<table:table-cell {kind}><text:p>{value}</text:p></table:table-cell>"
