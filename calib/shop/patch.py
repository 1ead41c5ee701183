"""A changed shop beside today's: what if."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.shop.model import Shop
from calib.shop.read_shop import parse_shop, read_shop


def patched(place: Path, patch: Path) -> Shop:
    """The shop of ``place`` with the entries of a patch added; one with the same id takes the old one's place."""
    today, change = read_shop(place), parse_shop(patch.read_text(encoding="utf-8-sig"), patch.name)
    merged: dict[str, Any] = {
        name: getattr(today, name) | getattr(change, name)
        for name in ("machines", "materials", "stations", "crews", "rates", "costs")
    }
    return replace(today, hours=change.hours or today.hours, version=f"{today.version}+{change.version}", **merged)
