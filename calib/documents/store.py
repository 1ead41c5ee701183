"""Care of the store."""

from __future__ import annotations

from typing import TypedDict


class Problem(TypedDict):
    check: str
    bad: int  # rows
    mend: str


class CheckDocument(TypedDict):
    problems: list[Problem]
    mended: int


class BackupDocument(TypedDict):
    backup: str


class RestoreDocument(TypedDict):
    backup: str
    kept: str | None


class ExportDocument(TypedDict):
    files: list[str]
    unreadable: list[str]


class CompanyExport(TypedDict):
    """What was sent to a company's store."""

    files: list[str]
    taken_away: list[str]
    unchanged: int
    site: str
    company: str


class Place(TypedDict):
    table: str
    column: str
    cells: int


class ForgetDocument(TypedDict):
    alias: str
    cells: int
    places: list[Place]
    dry_run: bool
    backups_done: list[str]
    backups: list[str]
    files: list[str]
    not_searched: list[str]
