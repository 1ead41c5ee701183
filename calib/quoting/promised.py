"""What is promised of each option, which one to take, and which of them chance alone puts first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from calib.calendar.clock import OpenClock
from calib.documents.quote import OwnPromise, Promised, Tie
from calib.quoting.cost import option_cost
from calib.quoting.half_days import half_day_end, half_day_name
from calib.quoting.plan import Planned
from calib.quoting.ranges import chance_by, iso
from calib.quoting.request import QuoteRequest
from calib.shop.model import Shop

SAME_CHANCE = 0.02  # chances that differ by less are the same to who must choose; common practice, no source

Document = Mapping[str, Any]


def promised_min(ready: np.ndarray, sure: float, clock: OpenClock) -> float:
    """The end of the half day by which that share of the draws is ready [wall min].

    ready : shape (draws,) [wall min]
    """
    return half_day_end(float(np.quantile(ready, sure, method="higher")), clock)


def in_order_of_promise(
    planned: Sequence[Planned], request: QuoteRequest, shop: Shop, clock: OpenClock
) -> list[Planned]:
    """The earliest promise first; of one half day the cheapest first, then the sooner on a usual day."""

    def key(planned: Planned) -> tuple[Any, ...]:
        cost = option_cost(planned.work, shop)
        return promised_min(planned.ready, request.sure, clock), cost["p50"] if cost else 0.0, *planned.key

    return sorted(planned, key=key)


def promise_of(planned: Planned, request: QuoteRequest, clock: OpenClock) -> OwnPromise:
    """An option's promise: promised_at (ISO 8601), half_day ('midday', 'end of the day'), promise_chance (that it is kept)."""
    wall = promised_min(planned.ready, request.sure, clock)
    return {
        "promised_at": iso(wall, clock.zone),
        "half_day": half_day_name(wall, clock),
        "promise_chance": round(chance_by(planned.ready, wall), 4),
    }


def promise_to_give(
    planned: Sequence[Planned], options: Sequence[Document], request: QuoteRequest, clock: OpenClock
) -> Promised:
    """The promise of the first option, ``ties``: others that keep it as surely or nearly so, and ``cheapest`` of all.

    planned : in order of promise; options : their documents. ties : cheapest first; cheapest : None where it is the first
    """
    wall = promised_min(planned[0].ready, request.sure, clock)
    ties = [
        document | {"kept": chance_by(plan.ready, wall)}
        for plan, document in zip(planned[1:], map(dict, options[1:]), strict=True)
        if chance_by(plan.ready, wall) >= request.sure - SAME_CHANCE
    ]
    first = options[0]
    cheapest = min(options, key=cost_of)
    return {
        "process": first["process"],
        "machine": first["machine"],
        "promised_at": first["promised_at"],
        "half_day": first["half_day"],
        "sure": request.sure,
        "chance": first["promise_chance"],
        "ties": [_named(option) | {"chance": round(option["kept"], 4)} for option in sorted(ties, key=cost_of)],
        "cheapest": None if cost_of(cheapest) >= cost_of(first) else _named(cheapest),
    }


def keep_the_date(options: Sequence[Document], request: QuoteRequest) -> list[Tie] | None:
    """Options that keep the date asked for as surely as is asked, the cheapest first; None where none is asked for.

    Where none is as sure, those that keep it nearly as surely as the surest.
    """
    if request.due is None:
        return None
    enough = min(request.sure, max(option["on_time"] for option in options) - SAME_CHANCE)
    as_sure = [option for option in options if option["on_time"] >= enough]
    return [_named(option) | {"chance": option["on_time"]} for option in sorted(as_sure, key=cost_of)]


def cost_of(option: Document) -> float:
    """Usual cost; infinite where it is not known."""
    return float(option["cost"]["p50"]) if option.get("cost") else float("inf")


def _named(option: Document) -> Tie:
    return {
        "process": option["process"],
        "machine": option["machine"],
        "promised_at": option["promised_at"],
        "cost": option["cost"]["p50"] if option.get("cost") else None,
    }
