"""What a company's page shows."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from calib.documents.spans import Moments


class SiteDrift(TypedDict):
    """A stage of a site that drifts; change in per cent with the range that holds 9 of 10 times."""

    site: str
    process: str
    stage: str
    since: str
    change_pct: float
    low: float
    high: float


class DriftTogether(TypedDict):
    """One stage that began to drift the same way at several sites, between two days; the middle change in per cent."""

    process: str
    stage: str
    sites: list[str]
    first: str
    last: str
    change_pct: float


class SiteLevel(TypedDict):
    """A site against the company, in per cent, with its 80 % range."""

    site: str
    pct: float
    low: float
    high: float


class Practice(TypedDict):
    """Best and slowest site of a stage; ``differ``: sites do by more than chance, ``spread_pct`` how far sites usually are apart."""

    process: str
    stage: str
    sites: int
    best: SiteLevel
    slowest: SiteLevel
    differ: bool
    spread_pct: float


class ThinLogs(TypedDict):
    """A site of few runs, or whose last log is days behind the newest of all."""

    site: str
    runs: int
    last: str
    days_behind: int


class SiteLeftOut(TypedDict):
    """A site that the last night could not do, and why."""

    site: str
    says: str


class UsualCost(TypedDict):
    """The middle cost of the whole order."""

    p50: float
    currency: str


class SiteQuote(TypedDict):
    """The earliest promise of one site; ``arrives``: the day promised, and ``carriage_days`` open days of the site later."""

    site: str
    arrives: str
    promised_at: str
    promise_chance: float
    carriage_days: int
    ready_at: Moments
    process: str
    machine: str
    material: str
    cost: UsualCost | None
    as_of: str | None  # day up to which the site was learned from; None: nothing was
    warnings: list[str]


class SiteOut(TypedDict):
    """A site that gives no quote, and why."""

    site: str
    reason: str


class SiteQuotesDocument(TypedDict):
    """Quotes of one part at all sites, the earliest arrival first."""

    company: str
    part: str
    quantity: int
    sites: list[SiteQuote]
    out: list[SiteOut]
    seconds: float


class CompanyDocument(TypedDict):
    """``looked``: drift was looked for; ``by_chance``: pairs that would drift together by chance; ``quotes``: of a part that was asked for."""

    page: NotRequired[str]  # where it was written
    company: str
    as_of: str
    sites: int
    looked: bool
    drifting: list[SiteDrift]
    together: list[DriftTogether]
    by_chance: float
    practice: list[Practice]
    thin: list[ThinLogs]
    left_out: list[SiteLeftOut]
    quotes: SiteQuotesDocument | None
