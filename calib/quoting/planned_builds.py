"""The builds of an option as rows of a plan: what stands in the queue once the quote is accepted."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from calib.quoting.columns import build_columns
from calib.quoting.nesting import Build
from calib.quoting.options import Option
from calib.shop.model import Shop

KEPT = (
    "process", "machine", "material", "finish", "difficulty", "parts", "part_volume_cm3", "part_area_cm2",
    "support_volume_cm3", "support_contact_cm2", "height_mm", "packed_volume_cm3",
)  # fmt: skip


def planned_builds(option: Option, shop: Shop) -> list[dict[str, Any]]:
    """The columns of ``builds`` (docs/interface.md), and ``builds``: how many alike follow each other; in order of work.

    A build of one part names its ``part_file``, one of several its ``items``: file and copies of each.
    """
    return [{"builds": len(list(alike)), **_row(option, shop, build)} for build, alike in groupby(option.builds)]


def _row(option: Option, shop: Shop, build: Build) -> dict[str, Any]:
    columns = build_columns(option, [build], shop.machines)
    items = [[option.pieces[at].name, copies] for at, copies in build.contents]
    holds = {"part_file": items[0][0]} if len(items) == 1 else {"part_file": None, "items": items}
    return {**holds, **{name: _plain(columns[name][0]) for name in KEPT}}


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return value
    number = float(value)
    return round(number, 4) if number == number else None
