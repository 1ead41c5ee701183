"""Log files into the store."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from calib.documents.logs import ImportDocument, ImportedFile, StoredImport
from calib.errors import UnknownLogError
from calib.progress import Progress, no_progress
from calib.results import MAPS
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.imports import ImportOptions, import_files
from calib.store.open_store import open_store
from calib.store.people import forget_older


def import_logs(
    folder: Path,
    paths: list[Path],
    mappings: Sequence[Path] = (),
    dry_run: bool = False,
    progress: Progress = no_progress,
    copy_first: str | None = None,
) -> ImportDocument:
    """Read all files, then store them in one transaction; the ``import`` document (docs/interface.md), with ``next_steps``.

    mappings : of other people's columns; where none is given, those in the shop's folder ``maps``
    copy_first : what the import is part of, where the store is to be copied before it
    Raises UnknownLogError where no file has columns that calib knows; else as ``store.imports.import_files``.
    """
    shop = read_shop(folder)
    options = replace(
        options_of(shop),
        mappings=tuple(mappings or kept_mappings(folder)),
        dry_run=dry_run,
        copy_first=copy_first,
    )
    try:
        document = import_files(folder, paths, options, progress)
    except UnknownLogError as error:
        raise UnknownLogError(error.message, f"{error.hint}{at_shop(folder)}") from error  # it ends in a command
    if shop.people_months and not dry_run:
        with open_store(folder) as store:
            forget_older(store, shop.people_months)
    again = shlex.join(
        ["calib", "import", *map(str, paths), *(word for mapping in mappings for word in ("--map", str(mapping)))]
    )
    steps = [(again, "store it")] if dry_run else next_steps(document)
    return {
        **document,
        "warnings": [*document["warnings"], *_unused(mappings, document["files"])],
        "next_steps": [{"command": f"{command}{at_shop(folder)}", "for": why} for command, why in steps],
    }


def options_of(shop: Shop) -> ImportOptions:
    """What an import must know of the shop file."""
    return ImportOptions(
        shop.timezone,
        people_names=shop.people_names,
        hours=shop.hours,
        closures=shop.closures,
        shop_stages=tuple(sorted({stage for route in shop.routes.values() for stage in route})),
        machines={name: machine.process for name, machine in shop.machines.items()},
        materials={name: material.process for name, material in shop.materials.items()},
        stations={*shop.machines, *shop.stations},
        drop_columns=tuple(shop.dropped_columns),
    )


def _unused(mappings: Sequence[Path], files: Sequence[ImportedFile]) -> list[str]:
    """A sentence for each mapping that was named and read nothing; none where some files were known by their bytes."""
    if any(file.get("rows_not_read_again") for file in files):
        return []
    used = {file.get("mapping") for file in files}
    return [f"{mapping} was named, and fits none of these logs." for mapping in mappings if str(mapping) not in used]


def kept_mappings(folder: Path) -> list[Path]:
    """The mappings that a shop keeps: the TOML files of its folder ``maps``."""
    return sorted((folder / MAPS).glob("*.toml"))


def next_steps(document: StoredImport) -> list[tuple[str, str]]:
    """What to do after an import, the first thing first: command, and what it is for."""
    files = document["files"]
    unread = [file["path"] for file in files if file.get("is_unknown")]
    steps = [(f"calib map {shlex.quote(path)}", "propose how its columns become ours") for path in unread[:3]]
    if any(file["rows_quarantined"] for file in files):
        steps.append(
            ("calib set-aside --out to-mend", "write the rows set aside as CSV: mend them, import those files")
        )
    if document["review"]:
        steps.append(("calib review", "answer the questions"))
    if any(file["rows_new"] + file["rows_corrected"] for file in files) or document["joined"]:
        steps.append(("calib fit", "learn from what came"))
    return steps


def at_shop(folder: Path) -> str:
    """What a command needs behind it to find a shop that is not the current folder."""
    return "" if folder == Path() else f" --shop {shlex.quote(str(folder))}"
