"""Having it made elsewhere, as the shop states suppliers' days and prices."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from calib.quoting.promise import is_working_day
from calib.quoting.request import QuoteRequest
from calib.shop.model import Shop


def outside_options(request: QuoteRequest, shop: Shop) -> list[dict[str, Any]]:
    """Each supplier that the shop states: usual date, the date that nine of ten keep, price; not learned from logs.

    Days are the shop's working days, deliveries come at the end of one. ``late_at`` is null where not stated.
    """
    suppliers = shop.quoting.get("outside") or []
    return [
        _document(one, request, shop)
        for one in suppliers
        if not request.processes or one.get("process") in (None, *request.processes)
    ]


def _document(supplier: dict[str, Any], request: QuoteRequest, shop: Shop) -> dict[str, Any]:
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
