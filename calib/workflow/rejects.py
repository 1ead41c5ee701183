"""Rows that were set aside: listed, written out to mend, dropped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import UsageError
from calib.results import written_beside
from calib.store.open_store import open_store
from calib.store.quarantine import drop_rejects, export_rejects, find_reject, list_rejects, write_rows
from calib.store.tables import columns_of
from calib.workflow.import_logs import at_shop, import_logs


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


def row_set_aside(folder: Path, number: int) -> dict[str, Any]:
    """A row that is set aside: reject_id, kind, cells (as they stood, by column), reasons (column and sentence)."""
    with open_store(folder, read_only=True) as store:
        return find_reject(store, number)


def mend_row(folder: Path, number: int, cells: dict[str, str]) -> dict[str, Any]:
    """Import one row that was set aside with other cells; it stays as a log of its own. The ``import`` document (docs/interface.md).

    Columns that are not among ``cells`` stay as they stood; one that stood in none of them is refused.
    """
    row = row_set_aside(folder, number)
    known = {**dict.fromkeys(columns_of(row["kind"]), ""), **row["cells"]}
    if strange := sorted(set(cells) - set(known)):
        raise UsageError(f'"{strange[0]}" is no column of {row["kind"]}.', f"Known: {', '.join(known)}.")
    mended = {name: value for name, value in {**row["cells"], **cells}.items() if value != ""}
    log = folder / "logs" / f"mended-{number}.csv"
    log.parent.mkdir(exist_ok=True)
    with written_beside(log) as beside:
        write_rows(beside, [mended | {"calib_reject": str(number), "calib_reason": ""}])
    return import_logs(folder, [log])


def _changed(store: Any, named: str | None, back: bool) -> list[int]:
    if not named:
        return []
    numbers = _numbers(store, named, "dropped" if back else "open")
    changed = drop_rejects(store, numbers, back)
    if not changed:
        raise UsageError(f'No row "{named}" is {"dropped" if back else "set aside"}.', "Their numbers: calib set-aside")
    return changed


def _numbers(store: Any, named: str, state: str) -> list[int]:
    known = {one["reject_id"] for one in list_rejects(store, state=state)}
    if named.strip().lower() == "all":
        return sorted(known)
    try:
        return [number for part in named.split(",") if part.strip() and (number := int(part)) in known]
    except ValueError:
        raise UsageError(f'"{named}" is no list of numbers.', "Write numbers as listed, such as 3,5, or all.") from None
