"""What a quote promises and how many promises were kept; what suppliers promise."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from math import comb
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from calib.calibration.normal_plus_t import normal_score
from calib.documents.promises import PromiseScore, RangeScore
from calib.documents.quote import Outside
from calib.quoting.request import QuoteRequest
from calib.shop.model import Shop

VALID_DAYS = 5
FEWEST_SCORED = 20
SAFE = 0.8
RARE = 0.05


def valid_until(request: QuoteRequest, shop: Shop) -> str:
    """Last day on which the quote stands, as YYYY-MM-DD: five of the shop's open days after the start, unless set."""
    day = request.start.astimezone(ZoneInfo(shop.timezone)).date()
    return open_days_later(day, int(shop.quoting.get("valid_days", VALID_DAYS)), shop).isoformat()


def open_days_later(day: date, days: int, shop: Shop) -> date:
    """The day that comes so many of the shop's open days after ``day``."""
    left = days
    for _ in range(3660):
        if left <= 0:
            break
        day += timedelta(days=1)
        left -= is_working_day(day, shop)
    return day


def is_working_day(day: date, shop: Shop) -> bool:
    if day in shop.closures:
        return False
    return bool(shop.hours[day.weekday()]) if shop.hours is not None else day.weekday() < 5


def score_promises(promises: pd.DataFrame) -> PromiseScore:
    """How many promises held.

    promises : promised_at, finished_at (time stamps), chance (stated); unfinished ones (NaT) are left out

    Returns promises, held, and in words: below 20 'held 13 of 16' without a percentage; share with an 80 % range by
    Wilson's interval (Wilson 1927, formula from memory), and stated, the mean of the stated chances, from 20 on.
    """
    done = promises[promises["finished_at"].notna() & promises["promised_at"].notna()]
    count, held = len(done), int((done["finished_at"] <= done["promised_at"]).sum())
    score: PromiseScore = {
        "promises": count, "held": held, "text": f"held {held} of {count}",
        "share": None, "low": None, "high": None, "stated": None,
    }  # fmt: skip
    if count < FEWEST_SCORED:
        return score
    low, high = wilson(held, count, 0.8)
    return {**score, "share": held / count, "low": low, "high": high, "stated": float(done["chance"].mean())}


def score_ranges(ends: pd.DataFrame) -> RangeScore:
    """How finished quotes ended against their 80 % range, and whether they come earlier or later than is stated.

    ends : finished_at, p10, p50, p90 (time stamps), one row for each finished quote
    Returns quotes, inside, early, late (numbers), level, early_h and late_h (least and most hours before or after the
    usual date of those that ended outside; None: none), says: 'earlier' or 'later' where more ended on that side than a
    tenth of them does by luck in 1 of 20 such records, else 'as said'.
    """
    early, late = ends["finished_at"] < ends["p10"], ends["finished_at"] > ends["p90"]
    off_h = (ends["finished_at"] - ends["p50"]).dt.total_seconds() / 3600
    count, sides = len(ends), {"earlier": int(early.sum()), "later": int(late.sum())}
    far = [side for side, number in sides.items() if number and at_least(number, count, 0.1) < RARE]
    return {
        "quotes": count,
        "inside": count - sum(sides.values()),
        "early": sides["earlier"],
        "late": sides["later"],
        "level": 0.8,
        "early_h": _least_and_most(-off_h[early]),
        "late_h": _least_and_most(off_h[late]),
        "says": max(far, key=sides.__getitem__, default="as said"),
    }


def at_least(number: int, count: int, chance: float) -> float:
    """Chance of so many or more of ``count`` (binomial).

    >>> round(at_least(2, 2, 0.1), 4), round(at_least(1, 4, 0.1), 4)
    (0.01, 0.3439)
    """
    return sum(comb(count, k) * chance**k * (1 - chance) ** (count - k) for k in range(number, count + 1))


def _least_and_most(hours: pd.Series) -> list[float] | None:
    return [round(float(hours.min()), 2), round(float(hours.max()), 2)] if len(hours) else None


def wilson(held: int, count: int, level: float) -> tuple[float, float]:
    """Range of a share.

    >>> [round(value, 4) for value in wilson(15, 20, 0.95)]
    [0.5313, 0.8881]
    """
    z = float(normal_score(np.array(0.5 + level / 2))[0])
    share = held / count
    middle = share + z**2 / (2 * count)
    half = z * np.sqrt(share * (1 - share) / count + z**2 / (4 * count**2))
    return float((middle - half) / (1 + z**2 / count)), float((middle + half) / (1 + z**2 / count))


def outsourcing_options(request: QuoteRequest, shop: Shop) -> list[Outside]:
    """Each supplier that the shop states: usual date, the date that nine of ten keep, price; not learned from logs.

    Days are the shop's working days, deliveries come at the end of one. ``late_at`` is null where not stated.
    """
    suppliers = shop.quoting.get("outside") or []
    return [
        _document(supplier, request, shop)
        for supplier in suppliers
        if not request.processes or supplier.get("process") in (None, *request.processes)
    ]


def _document(supplier: dict[str, Any], request: QuoteRequest, shop: Shop) -> Outside:
    late = supplier.get("days_late")
    price = supplier.get("price_order", 0.0) + supplier.get("price_per_part", 0.0) * request.quantity
    priced = "price_order" in supplier or "price_per_part" in supplier
    return {
        "id": supplier["id"],
        "process": supplier.get("process"),
        "ready_at": _after(request, shop, supplier["days"]),
        "late_at": None if late is None else _after(request, shop, max(late, supplier["days"])),
        "price": round(price, 2) if priced else None,
        "basis": "as stated in the shop file",
    }


def _after(request: QuoteRequest, shop: Shop, days: float) -> str:
    zone = ZoneInfo(shop.timezone)
    day, left = request.start.astimezone(zone).date(), round(days)
    for _ in range(3660):
        if left <= 0:
            break
        day += timedelta(days=1)
        left -= is_working_day(day, shop)
    spans = shop.hours[day.weekday()] if shop.hours is not None else ()
    close = max((end for _, end in spans), default=17 * 60) % 1440
    return datetime.combine(day, time(close // 60, close % 60), tzinfo=zone).isoformat(timespec="minutes")
