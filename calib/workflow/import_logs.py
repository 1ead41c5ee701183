"""Log files into the store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from calib.shop.read_shop import read_shop
from calib.store.imports import import_files


def import_logs(
    folder: Path,
    paths: list[Path],
    mapping: Path | None = None,
    dry_run: bool = False,
    progress: Callable[[str], None] | None = None,
) -> dict[str, Any]:
    """Read all files, then store them in one transaction; the contract's ``import`` document."""
    shop = read_shop(folder)
    return import_files(
        folder,
        paths,
        timezone=shop.timezone,
        people_names=shop.people_names,
        hours=shop.hours,
        mapping=mapping,
        dry_run=dry_run,
        progress=progress,
        closures=shop.closures,
        shop_stages={stage for route in shop.routes.values() for stage in route},
        machines=shop.machines,
    )
