"""The company's prior file, which may leave it: written after a night, and not at all where it would give a site away."""

from __future__ import annotations

import json
from pathlib import Path

from calib.documents.week import PriorFile
from calib.sites.laws import LEAST_SITES, prior_document
from calib.sites.task import RESULTS, ROWS, effects_of
from calib.workflow.company import read_rows, write_text

NAME, WHO = "prior.json", "prior-of.json"  # the second stays in the company: whose estimates the first was made of


def write_prior(company: Path) -> PriorFile:
    """Write ``results/prior.json`` from all sites' effects.

    It stays while fewer than LEAST_SITES have come or gone since: their estimates could be told from the difference.
    """
    paths = sorted((company / RESULTS / "effects").glob(f"site=*/{ROWS}"))
    sites = [path.parent.name.removeprefix("site=") for path in paths]
    place = company / RESULTS / NAME
    changed = len(set(sites) ^ set(_before(company))) if place.exists() else 0
    document: PriorFile = {"path": str(place), "laws": 0, "sites": len(sites), "says": ""}
    if 0 < changed < LEAST_SITES:
        word = "site has" if changed == 1 else "sites have"
        says = f"{NAME} stays as it was: {changed} {word} come or gone since, and a difference of fewer than {LEAST_SITES} would tell theirs."
        return document | {"says": says, "laws": len(json.loads(place.read_text(encoding="utf-8"))["laws"])}
    if len(sites) < LEAST_SITES:
        place.unlink(missing_ok=True)
        return document | {
            "says": f"No file of what new sites may start from ({NAME}): it needs {LEAST_SITES} sites, here are {len(sites)}."
        }
    made = prior_document(read_rows(effects_of(company, site) for site in sites)) | {"sites": len(sites)}
    write_text(company / RESULTS / WHO, json.dumps(sites))
    write_text(place, json.dumps(made, indent=1))
    return document | {"laws": len(made["laws"])}


def _before(company: Path) -> list[str]:
    try:
        return list(json.loads((company / RESULTS / WHO).read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return []
