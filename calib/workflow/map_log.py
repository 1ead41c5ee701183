"""A foreign log -> a proposed mapping, written for a person to check, and what would come in under it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calib.errors import LogFileError, UsageError
from calib.logs.propose import propose_mapping
from calib.shop.read_shop import read_shop
from calib.workflow.import_logs import at_shop, import_logs


def propose_map(folder: Path, log: Path, out: Path | None = None) -> dict[str, Any]:
    """Propose a mapping for ``log`` and write it to ``out``; nothing is stored.

    Returns file, kind, mapping (where it was written), reasons, unsure (what a person must decide first), would_come_in
    (the ``import`` document of a trial, or null with ``trial_error``), next_steps.
    """
    read_shop(folder)
    out = out or Path(f"{log.stem}.map.toml")
    if out.exists():
        raise UsageError(f"{out} is there already; nothing was written.", "Name another file with --out.")
    proposal = propose_mapping(log)
    try:
        out.write_text(proposal["toml"], encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror}.", "Name another file with --out.") from error
    trial, why_not = _tried(folder, log, out)
    return {
        "file": str(log),
        "kind": proposal["kind"],
        "mapping": str(out),
        "reasons": proposal["reasons"],
        "unsure": proposal["unsure"],
        "would_come_in": trial,
        "trial_error": why_not,
        "next_steps": [
            {"command": f"calib import {log} --map {out}{at_shop(folder)}", "for": f"once every line of {out} is right"}
        ],
    }


def _tried(folder: Path, log: Path, mapping: Path) -> tuple[dict[str, Any] | None, str | None]:
    """The import under this mapping as a trial, or why it could not be."""
    try:
        return import_logs(folder, [log], mapping=mapping, dry_run=True), None
    except LogFileError as error:
        return None, str(error)
