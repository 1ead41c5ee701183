"""The week: what its page shows, what a weekly run did, the demo."""

from __future__ import annotations

from typing import TypedDict

from calib.documents.drift import BelowFloor, DriftDocument
from calib.documents.logs import ImportDocument, LastLog, Step
from calib.documents.model import BacktestDocument, FitDocument, PeersDocument
from calib.documents.promises import PromisesDocument, RangeScore
from calib.documents.quote import QuoteDocument
from calib.documents.shop import Load
from calib.documents.spans import Named


class ProcessTime(TypedDict):
    """Minutes of the last weeks; wait_min counts opening hours."""

    process: str
    touch_min: float | None
    machine_min: float | None
    wait_min: float | None
    builds: int | None


class Bottleneck(Load):
    lead_time_h: float  # mean


class TimeGoes(TypedDict, total=False):
    rows: list[ProcessTime]
    since: str | None
    printed: int
    failed: int
    bottleneck: Bottleneck | None


class Health(TypedDict, total=False):
    """Numbers of rows that wait for a person, and which machines are silent."""

    silent_machines: list[LastLog]
    quarantined: int
    held: int
    to_confirm: int
    questions: list[str]
    below_floor: list[BelowFloor]
    lines: list[str]


class WeekData(TypedDict, total=False):
    """A part of the page is left out where its key is absent or None."""

    shop: str | None
    as_of: str  # day; else the drift document's, else the fit's
    fit: FitDocument | None
    drift: DriftDocument | None
    backtest: BacktestDocument | None
    open_promises: PromisesDocument | None
    quotes: RangeScore | None
    time_goes: TimeGoes | None
    health: Health | None
    notes: list[str]
    peers: PeersDocument | None  # absent: nothing is said of other models; None: they were never tried


class ReportDocument(TypedDict):
    page: str
    as_of: str
    sentences: list[str]
    open_promises: PromisesDocument
    drifting: list[Named]
    erratic: list[Named]
    below_floor: list[BelowFloor]
    warnings: list[str]


class Learned(TypedDict):
    """Of a weekly run; fit and report are None where too little is logged to learn from.

    quiet : no row newly set aside, no unreadable file, no stage that moved or became erratic, no promise late or fallen,
    no warning: nothing asks for a person
    """

    fit: FitDocument | None
    report: ReportDocument | None
    why_not: str | None
    quiet: bool


WeekImport = TypedDict("WeekImport", {"import": ImportDocument})


class WeekDocument(WeekImport, Learned):
    """What a weekly run did."""

    newly_set_aside: int  # rows that no earlier import set aside
    newly_held: int  # rows that wait for a build or order that no log has yet
    next_steps: list[Step]  # what waits for a person


DemoDocument = TypedDict(
    "DemoDocument",
    {
        "folder": str,
        "part": str,
        "start": str,
        "import": ImportDocument,
        "fit": FitDocument,
        "quotes": list[QuoteDocument],
        "drift": DriftDocument,
        "page": str | None,  # None while it is not drawn yet
        "seconds": float,
    },
)


class SiteOutcome(TypedDict):
    """What became of one site: see ``sites.task.Outcome``."""

    site: str
    state: str
    says: str
    runs: int
    seconds: float
    peak_mb: float


class PriorFile(TypedDict):
    """The file of a company's laws; ``says`` why it stays as it was, or ''."""

    path: str
    laws: int
    sites: int
    says: str


class SitesDocument(TypedDict):
    """What became of one kind of work over many sites."""

    company: str
    what: str  # 'fit', 'drift', 'backtest'
    engine: str
    sites: list[SiteOutcome]
    done: int
    unchanged: int
    left_out: int
    prior: PriorFile | None
    results: str
    seconds: float
