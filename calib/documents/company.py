"""What a company's page shows."""

from __future__ import annotations

from typing import NotRequired, TypedDict


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


class CompanyDocument(TypedDict):
    """``looked``: drift was looked for; ``by_chance``: pairs that would drift together by chance."""

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
    left_out: list[dict[str, str]]
