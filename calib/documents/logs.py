"""Logs: what an import brought, how a foreign log is mapped, rows set aside, questions to a person, an import taken back."""

from __future__ import annotations

from datetime import datetime
from typing import NotRequired, TypedDict

from calib.documents.model import LogNext, RouteProposal

Step = TypedDict("Step", {"command": str, "for": str})
Step.__doc__ = "A command, and what it is for."


class ImportedFile(TypedDict):
    path: str
    kind: str | None
    rows_read: int
    rows_new: int
    rows_corrected: int
    rows_repeated: int
    rows_quarantined: int
    rows_held: int
    error: str | None
    hint: NotRequired[str]  # with an error
    is_unknown: NotRequired[bool]  # with an error: no mapping knows its columns
    rows_not_read_again: NotRequired[int]  # without an error, as those that follow
    kept_columns: NotRequired[list[str]]
    notes: NotRequired[list[str]]
    mapping: NotRequired[str | None]


class SetAsideRow(TypedDict):
    """One problem of one row set aside."""

    reject_id: int
    path: str
    kind: str
    line: int
    column: str | None
    value: str | None
    rule: str
    reason: str


class RowToMend(TypedDict):
    """A row set aside, as it stood."""

    reject_id: int
    kind: str
    cells: dict[str, str]  # by column
    reasons: list[tuple[str, str]]  # column, sentence


class Question(TypedDict):
    """Of a row that looks wrong; or of a stage that nobody logs, with an 'S' before its number."""

    mark_id: int | str
    rule: str
    sentence: str
    effect_min: float | None
    verdict: str | None
    verdict_min: float | None
    verdict_note: str | None
    row_key: NotRequired[str]  # of a row, as those that follow
    says: NotRequired[str]
    verdict_at: NotRequired[datetime | None]
    build_id: NotRequired[str | None]
    order_id: NotRequired[str | None]
    line: NotRequired[int]
    path: NotRequired[str | None]
    stage: NotRequired[str]  # of both
    process: NotRequired[str]  # of a stage
    builds: NotRequired[int]


class LastLog(TypedDict):
    machine: str
    last: str  # day


class Copy(TypedDict):
    path: str
    mb: float  # its size


class StoredRows(TypedDict):
    """What became of the rows of an import."""

    files: list[ImportedFile]
    joined: int
    odd_times: dict[str, int]  # local times that exist 'twice', or are 'missing'
    newly_set_aside: int
    quarantine: list[SetAsideRow]


class AfterImport(TypedDict):
    """What a person should know after an import."""

    warnings: list[str]
    review: list[Question]
    review_open: int
    silent_machines: list[LastLog]
    last_logs: list[LastLog]
    log_next: list[LogNext]
    own_routes: list[RouteProposal]


class StoredImport(StoredRows, AfterImport):
    """An import as the store tells of it, which knows no commands."""

    dry_run: bool
    copy: Copy | None
    seconds: float


class ImportDocument(StoredImport):
    """The contract's ``import`` document."""

    next_steps: list[Step]


class MappingLine(TypedDict):
    table: str
    ours: str
    theirs: str
    why: str


class MappingProposal(TypedDict):
    toml: str  # the commented mapping
    kind: str
    notes: list[str]  # which line was its header
    reasons: list[str]  # a sentence for each line
    lines: list[MappingLine]
    unsure: list[str]  # what a person must decide before it is used
    other_kind: str | None  # what else stands in its rows


class MapDocument(TypedDict):
    file: str
    kind: str
    mapping: str  # where it was written
    notes: list[str]
    lines: list[MappingLine]
    reasons: list[str]
    unsure: list[str]
    would_come_in: ImportDocument | None  # in a trial; None with ``trial_error``
    trial_error: str | None
    next_steps: list[Step]


class ReviewDocument(TypedDict):
    questions: list[Question]
    open: int
    answered_this_week: int
    answered: bool
    own_routes: list[RouteProposal]  # of the last fit
    at_shop: str  # ' --shop DIR', or nothing


class AnswerDocument(Question):
    taken_back: bool
    at_shop: str
    answers: list[Question]  # all that were answered at once


class SetAsideDocument(TypedDict):
    rows: list[SetAsideRow]
    files: list[str]  # written
    changed: list[int]  # dropped, or opened again
    dropped: bool
    at_shop: str


class UndoDocument(TypedDict):
    """Numbers of rows."""

    imported_at: datetime  # UTC
    files: list[str]
    dry_run: bool
    rows_taken_out: int
    rows_put_back: int
    rejects_taken_out: int
    rejects_opened: int
    questions_taken_out: int  # came with the import or a fit after it, and nobody answered
    copy: NotRequired[Copy | None]  # of the store as it was before
