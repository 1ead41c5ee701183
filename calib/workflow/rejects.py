"""Rows that were set aside: listed, written out to mend, dropped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError
from calib.store.open_store import open_store
from calib.store.quarantine import drop_rejects, export_rejects, list_rejects
from calib.workflow.import_logs import at_shop


def find_rejects(
    folder: Path,
    out: Path | None = None,
    drop: str | None = None,
    reopen: str | None = None,
    dropped: bool = False,
    overwrite: bool = False,
) -> dict[str, Any]:
    """rows (what is open, or what was dropped), files (written to ``out``), changed (numbers dropped or opened again), at_shop.

    drop, reopen : numbers such as '3,5', or 'all'
    overwrite : whatever stands in the place of a file is replaced
    """
    with open_store(folder) as store:
        changed = _changed(store, drop, back=False) + _changed(store, reopen, back=True)
        rows = list_rejects(store, state="dropped" if dropped else "open")
        files = export_rejects(store, out, overwrite) if out and rows else []
    told = {"rows": rows, "files": [str(path) for path in files], "changed": changed, "dropped": dropped}
    return told | {"at_shop": at_shop(folder)}


def _changed(store: Any, named: str | None, back: bool) -> list[int]:
    if not named:
        return []
    numbers = _numbers(store, named, "dropped" if back else "open")
    changed = drop_rejects(store, numbers, back)
    if not changed:
        raise UsageError(f'No row "{named}" is {"dropped" if back else "set aside"}.', "Their numbers: calib rejects")
    return changed


def _numbers(store: Any, named: str, state: str) -> list[int]:
    known = {one["reject_id"] for one in list_rejects(store, state=state)}
    if named.strip().lower() == "all":
        return sorted(known)
    try:
        return [number for part in named.split(",") if part.strip() and (number := int(part)) in known]
    except ValueError:
        raise UsageError(f'"{named}" is no list of numbers.', "Write numbers as listed, such as 3,5, or all.") from None
