"""Accepted quotes as builds of the queue, until their own builds are logged."""

from __future__ import annotations

from typing import Any

import pandas as pd

from calib.store.quotes import option_of


def awaited_builds(orders: list[dict[str, Any]]) -> pd.DataFrame:
    """Planned builds of accepted quotes that no logged build fulfils yet, in the order in which they were accepted.

    orders : the open ones, of ``find_orders``
    Returns the columns of ``builds`` (docs/interface.md), with status 'planned'; ids are the quote's, numbered.
    """
    accepted = sorted(orders, key=lambda one: one["accepted_at"])
    return pd.DataFrame([row for one in accepted for row in _rows(one)])


def open_build_ids(orders: list[dict[str, Any]]) -> dict[str, str]:
    """Logged builds that open accepted quotes still wait for: build -> quote."""
    return {
        build["build_id"]: order["quote_id"]
        for order in orders
        for build in order["builds"]
        if build["packed_at"] is None
    }


def _rows(order: dict[str, Any]) -> list[dict[str, Any]]:
    """Builds that hold the parts that no logged build holds; the first ones are taken as begun."""
    begun = sum(build["parts"] or 0 for build in order["builds"])
    rows: list[dict[str, Any]] = []
    number = 0
    for plan in option_of(order).get("plan") or ():
        for _ in range(plan["builds"]):
            number += 1
            left = min(plan["parts"], plan["parts"] - begun)
            begun -= min(begun, plan["parts"])
            if left > 0:
                rows.append(_row(order, plan, number, left / plan["parts"]))
    return rows


def _row(order: dict[str, Any], plan: dict[str, Any], number: int, share: float) -> dict[str, Any]:
    """A build of the plan, or that share of it which is still missing."""
    by_parts = ("parts", "part_volume_cm3", "part_area_cm2", "support_volume_cm3", "support_contact_cm2")
    scaled = {name: plan[name] * share for name in by_parts}
    return {
        **{name: value for name, value in plan.items() if name != "builds"},
        **scaled,
        "build_id": f"{order['quote_id']}-{number}",
        "order_id": order["order_id"] or order["quote_id"],
        "quote_id": order["quote_id"],
        "status": "planned",
    }
