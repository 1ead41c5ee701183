"""What a quote promises: how long it stands, whether it still holds, and how many were kept."""

from __future__ import annotations

from datetime import date, timedelta
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
