"""What a quote promises: how long it stands, and how promises are scored."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from calib.quoting.request import QuoteRequest
from calib.shop.model import Shop

VALID_DAYS = 5


def valid_until(request: QuoteRequest, shop: Shop) -> str:
    """Last day on which the quote stands, as YYYY-MM-DD: five of the shop's open days after the start, unless set."""
    left = int(shop.quoting.get("valid_days", VALID_DAYS))
    day = request.start.astimezone(ZoneInfo(shop.timezone)).date()
    for _ in range(3660):
        if left <= 0:
            break
        day += timedelta(days=1)
        left -= _working_day(day, shop)
    return day.isoformat()


def _working_day(day, shop: Shop) -> bool:  # type: ignore[no-untyped-def]
    if day in shop.closures:
        return False
    return bool(shop.hours[day.weekday()]) if shop.hours is not None else day.weekday() < 5
