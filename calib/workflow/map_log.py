"""A foreign log -> a proposed mapping, written for a person to check, and what would come in under it."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

from calib.documents.logs import ImportDocument, MapDocument, MappingProposal
from calib.errors import LogFileError, UsageError
from calib.logs.columns import KINDS
from calib.logs.propose import propose_mapping
from calib.results import MAPPING, MAPS, Result
from calib.shop.read_shop import read_shop
from calib.spelling import nearest
from calib.store.log_files import as_text_file
from calib.workflow.import_logs import at_shop, import_logs


def propose_map(
    folder: Path, log: Path, out: Path | None = None, kind: str | None = None, sheet: str | None = None
) -> MapDocument:
    """Propose a mapping for ``log`` and write it to ``out``; nothing is stored.

    kind : what ``log`` is a log of, where its columns do not show it; sheet : which one of a workbook
    Raises UsageError for a kind that is none.
    """
    shop = read_shop(folder)
    if kind not in (None, *KINDS):
        near = nearest(kind or "", KINDS)
        raise UsageError(f'"{kind}" is no kind of log.', f"Say {near[0] if near else ', '.join(KINDS)}.")
    out = out or Path(f"{log.stem}.map.toml")
    result = Result(out, MAPPING)
    result.check()
    with as_text_file(log) as readable:
        processes = {machine.id: machine.process for machine in shop.machines.values()}
        proposal = propose_mapping(readable, processes, shop.stations, kind, shop.materials, sheet)
    result.write(proposal["toml"])
    trial, why_not = _tried(folder, log, out)
    return {
        "file": str(log),
        "kind": proposal["kind"],
        "mapping": str(out),
        "notes": proposal["notes"],
        "lines": proposal["lines"],
        "reasons": proposal["reasons"],
        "unsure": proposal["unsure"],
        "would_come_in": trial,
        "trial_error": why_not,
        "next_steps": [
            {"command": f"{command}{at_shop(folder)}", "for": why}
            for command, why in _next_steps(log, out, folder / MAPS, proposal)
        ],
    }


def _next_steps(log: Path, out: Path, kept: Path, proposal: MappingProposal) -> list[tuple[str, str]]:
    is_kept = out.parent.resolve() == kept.resolve()
    command = f"calib import {quote(str(log))}" + ("" if is_kept else f" --map {quote(str(out))}")
    why = f"once every line of {out} is right" + ("" if is_kept else f"; moved to {kept}, it needs no --map")
    steps = [(command, why)]
    if other := proposal["other_kind"]:
        second = out.with_name(f"{log.stem}.{other}.map.toml")
        steps.append(
            (
                f"calib map {quote(str(log))} --kind {other} --out {quote(str(second))}",
                f"its {other} stand in the same rows",
            )
        )
    return steps


def _tried(folder: Path, log: Path, mapping: Path) -> tuple[ImportDocument | None, str | None]:
    """The import under this mapping as a trial, or why it could not be."""
    try:
        return import_logs(folder, [log], mappings=[mapping], dry_run=True), None
    except LogFileError as error:
        return None, str(error)
