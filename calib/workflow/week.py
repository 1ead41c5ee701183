"""Monday's whole job in one call: logs in, learn, look for drift, write the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from calib.errors import StoreError, TooFewRunsError
from calib.shop.read_shop import read_shop
from calib.store.health import find_health
from calib.store.open_store import open_store
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs
from calib.workflow.report import write_report

LOCK_NAME = "week.lock"
Progress = Callable[[str], None]


def run_week(
    folder: Path,
    paths: list[Path],
    out: Path,
    mappings: Sequence[Path] = (),
    progress: Progress = lambda text: None,
) -> dict[str, Any]:
    """Import, fit and report; what of it came to be, and whether anything asks for a person.

    Returns ``import`` and ``fit`` (the contract's documents), ``report`` (as ``write_report``), ``newly_set_aside`` (rows that
    no earlier import set aside), ``next_steps`` (what waits for a person) and ``quiet`` (true: none of those, no unreadable file, no
    stage that moved or became erratic, no warning). Where too little is logged to learn from, ``fit`` and
    ``report`` are null and ``why_not`` says so; what was imported stays.
    Raises StoreError where another run of it is at work in this shop.
    """
    read_shop(folder)  # before the lock: no file is left where no shop is
    with one_at_a_time(folder):
        before = waiting_rejects(folder)
        imported = import_logs(folder, paths, mappings=mappings, progress=progress)
        document = {
            "import": imported,
            "newly_set_aside": max(0, waiting_rejects(folder) - before),
            "next_steps": [one for one in imported["next_steps"] if not one["command"].startswith("calib fit")],
        }
        try:
            fitted = fit_shop(folder, progress=progress)
            page = write_report(folder, out, progress=progress)
        except TooFewRunsError as error:
            return document | {"fit": None, "report": None, "why_not": str(error), "quiet": False}
    asks = any(file.get("error") for file in imported["files"]) or document["newly_set_aside"]
    asks = asks or any(page[name] for name in ("drifting", "erratic", "warnings", "below_floor"))
    return document | {"fit": fitted, "report": page, "why_not": None, "quiet": not asks}


def waiting_rejects(folder: Path) -> int:
    """Rows set aside that nobody has mended or dropped yet."""
    with open_store(folder, read_only=True) as store:
        return int(find_health(store)["quarantined"])


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[None]:
    """Hold the shop's weekly lock; the system lets go of it when the process ends, however it ends."""
    from filelock import FileLock, Timeout

    try:
        with FileLock(folder / LOCK_NAME, timeout=0):
            yield
    except Timeout:
        raise StoreError(
            f"Another weekly run is at work in {folder}; nothing was changed.", "Let it end, then try again."
        ) from None
