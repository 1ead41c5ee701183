"""Care of the store."""

from __future__ import annotations

from typing import TypedDict


class Problem(TypedDict):
    check: str
    bad: int  # rows
    mend: str  # what to do


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
    unreadable: list[str]  # those that a damaged store no longer gives


class SentFiles(TypedDict):
    """What was sent to a company's store."""

    files: list[str]
    unchanged: int
    taken_away: list[str]


class CompanyExport(SentFiles):
    company: str
    site: str
    logs: str


class Place(TypedDict):
    table: str
    column: str
    cells: int


class ForgetDocument(TypedDict):
    alias: str  # or the name, in a lab that keeps names
    cells: int  # changed
    places: list[Place]
    backups: list[str]  # those that may still hold the person
    backups_done: list[str]
    files: list[str]  # others of the shop's folder that still do
    not_searched: list[str]  # sentences
    dry_run: bool
