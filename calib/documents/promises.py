"""Quotes kept, accepted, promised, forecast and scored."""

from __future__ import annotations

from datetime import datetime
from typing import NotRequired, TypedDict, final

from calib.documents.compare import Caution
from calib.documents.quote import QuoteDocument
from calib.documents.spans import Moments


class StoredQuote(TypedDict):
    """A quote as the store keeps it; times aware, in UTC."""

    quote_id: str
    quoted_at: datetime
    document: QuoteDocument
    accepted_option: int | None  # number of the option
    accepted_at: datetime | None
    due_at: datetime | None  # promised; None: as quoted
    chance: float | None
    note: str | None
    order_id: str | None
    hurried: bool | None
    stated_ready_at: datetime | None  # by a person
    start_at: datetime | None  # when it may begin; None: as quoted


class HeldIn(TypedDict):
    """A build that holds parts of a quote."""

    build_id: str
    parts: int | None
    packed_at: datetime | None


class Order(StoredQuote):
    """A quote with the builds that fulfil it; ready_at : when as many parts as quoted were packed."""

    builds: list[HeldIn]
    ready_at: datetime | None


class DateByChance(TypedDict):
    sure: float
    promised_at: str
    half_day: str


class ListedQuote(TypedDict):
    quote_id: str
    order_id: str | None
    quoted_at: str
    part: str
    quantity: int
    process: str
    machine: str
    promised_at: str
    chance: float
    valid_until: str
    accepted_at: str | None
    builds: list[str]
    ready_at: str | None
    state: str  # 'open', 'lapsed', 'accepted', 'in time', 'late'
    note: str | None


class PromiseScore(TypedDict):
    """share, low, high, stated: None below 20 promises."""

    promises: int
    held: int
    text: str
    share: float | None
    low: float | None
    high: float | None
    stated: float | None


class RangeScore(TypedDict):
    """How finished quotes ended against the range that holds 8 of 10 times."""

    quotes: int
    inside: int
    early: int
    late: int
    level: float
    early_h: list[float] | None  # least and most hours before, after
    late_h: list[float] | None
    says: str  # 'earlier', 'later', 'as said'
    in_time: NotRequired[int]


class QuotesDocument(TypedDict):
    today: str
    looks: int  # answers that nobody kept
    quotes: list[ListedQuote]
    promises: PromiseScore
    ranges: RangeScore


class OpenPromise(TypedDict):
    quote_id: str
    order_id: str | None
    part: str
    quantity: int
    process: str
    machine: str
    promised_at: str
    chance_then: float | None
    chance: float | None
    ready_at: Moments | None
    ready_dots: NotRequired[list[str] | None]  # times of 20 such jobs from today, the soonest first
    level: float
    state: str  # 'late', 'unknown', 'fell', 'sure'
    because: str | None


class PromisesDocument(TypedDict):
    start: str
    promises: list[OpenPromise]  # the least sure first
    closed_days: NotRequired[list[str]]
    below_80: int
    warnings: list[str]


class Slip(TypedDict):
    quote_id: str
    part: str
    promised_at: str
    chance_before: float | None
    chance: float | None
    usual: str
    usual_before: str
    below_80: bool


@final
class AcceptDocument(TypedDict):
    """What was promised, and whose date slips by it."""

    start: str
    quote_id: str
    part: str
    quantity: int
    process: str
    machine: str
    begins_at: str
    promised_at: str
    chance: float | None
    chance_then: float | None
    ready_at: Moments | None
    because: str | None
    slips: list[Slip]
    others: int
    order_id: str | None
    hurried: bool
    note: str | None
    warnings: list[str]
    cautions: list[Caution]  # in full: the work is released


@final
class Withdrawn(TypedDict):
    """An acceptance undone."""

    quote_id: str
    withdrawn: bool


@final
class Ready(TypedDict):
    """When the parts of an accepted quote were ready, and whether in time."""

    start: str
    quote_id: str
    promised_at: str
    ready_at: str
    held: bool
