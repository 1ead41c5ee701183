"""A new shop: shop file, log templates, empty store."""

from __future__ import annotations

import os
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from calib.documents.shop import InitDocument, TemplatesDocument
from calib.errors import UsageError
from calib.logs.workbook import write_templates
from calib.results import MAPS
from calib.safety import FOLLOW
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text
from calib.spelling import close_to
from calib.store.open_store import open_store
from calib.workflow import parts

LOGS = "logs"  # where a new shop's logs are put


def init_shop(folder: Path, timezone: str = "") -> InitDocument:
    """Make ``folder`` a shop; nothing that is there already is written over.

    Raises UsageError where it is a shop already, cannot be written, or the time zone is none.
    """
    zone = timezone or local_zone()
    _check_zone(zone)
    try:
        if (folder / "shop.toml").exists():
            raise UsageError(
                f"{folder} is a shop already (it has a shop.toml).", "Name another folder, or edit that file."
            )
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "shop.toml").write_text(shop_text(zone), encoding="utf-8")
        for name in (LOGS, MAPS, parts.FOLDER):
            (folder / name).mkdir(exist_ok=True)
        shop = read_shop(folder)
        templates, _ = _write_templates(folder, shop)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror}.", "Choose a folder of your own.") from error
    with open_store(folder, create=True):
        pass
    return {
        "folder": str(folder),
        "timezone": zone,
        "machines": [{"id": machine.id, "process": machine.process} for machine in shop.machines.values()],
        "files": ["shop.toml", "shop.duckdb", *[str(Path(path).relative_to(folder)) for path in templates]],
        "logs": str(folder / LOGS),
        "maps": str(folder / MAPS),
        "safety": FOLLOW,
        "warnings": list(shop.warnings),
    }


def renew_templates(folder: Path) -> TemplatesDocument:
    """Write the log templates anew, with the shop's machines, stations and stages of today.

    Raises UsageError where the folder cannot be written.
    """
    shop = read_shop(folder)
    try:
        written, filled = _write_templates(folder, shop)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror}.", "Allow writing there.") from error
    return {"written": [str(path) for path in written], "left_alone": [str(path) for path in filled]}


def _write_templates(folder: Path, shop: Shop) -> tuple[list[Path], list[Path]]:
    processes = tuple(dict.fromkeys(machine.process for machine in shop.machines.values()))
    stages = tuple(dict.fromkeys(stage for process in processes for stage in shop.routes[process]))
    return write_templates(folder, tuple(shop.machines), tuple(shop.stations), stages, shop.cautions, processes)


def local_zone() -> str:
    """IANA name of this computer's zone, where it says one; else UTC."""
    if os.environ.get("TZ") in available_timezones():
        return os.environ["TZ"]
    link = os.path.realpath("/etc/localtime")
    name = link.partition("zoneinfo/")[2]
    return name if name in available_timezones() else "UTC"


def _check_zone(zone: str) -> None:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        near = close_to(zone, sorted(available_timezones()), most=3, cutoff=0.5)
        hint = f"Did you mean {' or '.join(near)}?" if near else "Names look like Europe/London or America/Chicago."
        raise UsageError(f'"{zone}" is not an IANA time zone.', hint) from None


def make_ready(folder: Path) -> None:
    """A shop file that is right, and a store; an empty one is made where there is none. Raises as both do."""
    read_shop(folder)
    with open_store(folder, create=True):
        pass
