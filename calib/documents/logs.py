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
    hint: NotRequired[str]
    is_unknown: NotRequired[bool]
    kept_columns: list[str]


class SetAsideRow(TypedDict):
    """One problem of one row set aside."""

    reject_id: int
    path: str
    kind: str
    line: int
    column: str | None
    value: str | None
    reason: str


class Question(TypedDict):
    mark_id: int | str
    rule: str
    sentence: str
    verdict: str
    verdict_min: float | None
    verdict_note: str | None


class LastLog(TypedDict):
    machine: str
    last: str  # day


class Copy(TypedDict):
    path: str
    mb: float


class ImportDocument(TypedDict):
    """The contract's ``import`` document."""

    files: list[ImportedFile]
    seconds: float
    joined: int
    newly_set_aside: int
    quarantine: list[SetAsideRow]
    warnings: list[str]
    review: list[Question]
    review_open: int
    silent_machines: list[LastLog]
    last_logs: list[LastLog]
    log_next: list[LogNext]
    own_routes: list[RouteProposal]
    dry_run: bool
    copy: Copy | None
    next_steps: list[Step]


class MappingLine(TypedDict):
    table: str
    ours: str
    theirs: str
    why: str


class MapDocument(TypedDict):
    file: str
    kind: str
    mapping: str
    notes: list[str]
    lines: list[MappingLine]
    reasons: list[str]
    unsure: list[str]
    would_come_in: ImportDocument | None
    trial_error: str | None
    next_steps: list[Step]


class ReviewDocument(TypedDict):
    questions: list[Question]
    open: int
    answered_this_week: int
    answered: bool
    own_routes: list[RouteProposal]
    at_shop: str  # ' --shop DIR', or nothing


class AnswerDocument(Question):
    taken_back: bool
    at_shop: str


class SetAsideDocument(TypedDict):
    rows: list[SetAsideRow]
    files: list[str]
    changed: list[int]
    dropped: bool
    at_shop: str


class UndoDocument(TypedDict):
    """Numbers of rows."""

    imported_at: datetime
    files: list[str]
    dry_run: bool
    rows_taken_out: int
    rows_put_back: int
    rejects_taken_out: int
    rejects_opened: int
    questions_taken_out: int
    copy: Copy | None
