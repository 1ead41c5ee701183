"""What a quote promises: how long it stands, whether it still holds, and how many were kept."""

from __future__ import annotations

from datetime import date, timedelta
from math import comb
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from calib.calibration.normal_plus_t import normal_score
from calib.quoting.request import QuoteRequest
from calib.shop.model import Shop

VALID_DAYS = 5
FEWEST_SCORED = 20
SAFE = 0.8
RARE = 0.05


def valid_until(request: QuoteRequest, shop: Shop) -> str:
    """Last day on which the quote stands, as YYYY-MM-DD: five of the shop's open days after the start, unless set."""
    left = int(shop.quoting.get("valid_days", VALID_DAYS))
    day = request.start.astimezone(ZoneInfo(shop.timezone)).date()
    for _ in range(3660):
        if left <= 0:
            break
        day += timedelta(days=1)
        left -= is_working_day(day, shop)
    return day.isoformat()


def is_working_day(day: date, shop: Shop) -> bool:
    if day in shop.closures:
        return False
    return bool(shop.hours[day.weekday()]) if shop.hours is not None else day.weekday() < 5


def score_promises(promises: pd.DataFrame) -> dict[str, Any]:
    """How many promises held.

    promises : promised_at, finished_at (time stamps), chance (stated); unfinished ones (NaT) are left out

    Returns promises, held, and in words: below 20 'held 13 of 16' without a percentage; share with an 80 % range by
    Wilson's interval (Wilson 1927, formula from memory), and stated, the mean of the stated chances, from 20 on.
    """
    done = promises[promises["finished_at"].notna() & promises["promised_at"].notna()]
    count, held = len(done), int((done["finished_at"] <= done["promised_at"]).sum())
    said: dict[str, Any] = {"promises": count, "held": held, "text": f"held {held} of {count}"}
    if count < FEWEST_SCORED:
        return {**said, "share": None, "low": None, "high": None, "stated": None}
    low, high = wilson(held, count, 0.8)
    return {**said, "share": held / count, "low": low, "high": high, "stated": float(done["chance"].mean())}


def score_ranges(ends: pd.DataFrame) -> dict[str, Any]:
    """How finished quotes ended against their 80 % range, and whether they come earlier or later than is said.

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
