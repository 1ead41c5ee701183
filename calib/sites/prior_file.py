"""The company's prior file, which may leave it: written after a night, and no law of it where it would give a site away."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from calib.documents.week import PriorFile
from calib.errors import CalibError
from calib.sites.laws import LEAST_SITES, prior_document
from calib.sites.task import RESULTS, ROWS
from calib.workflow.company import read_rows, write_rows, write_text

NAME, WHO = (
    "prior.json",
    "prior-of.parquet",
)  # the second stays in the company: the estimates that the first was made of
KEY = ["part", "block", "labels"]


def write_prior(company: Path) -> PriorFile:
    """Write ``results/prior.json`` from all sites' effects; each law and spread as ``to_use`` allows."""
    place = company / RESULTS / NAME
    document: PriorFile = {"path": str(place), "laws": 0, "sites": 0, "says": ""}
    try:
        effects, _ = read_rows(sorted((company / RESULTS / "effects").glob(f"site=*/{ROWS}")))
        document["sites"] = effects["site"].nunique() if len(effects) else 0
        if document["sites"] < LEAST_SITES:
            place.unlink(missing_ok=True)
            document["says"] = (
                f"No file of what new sites may start from ({NAME}): it needs {LEAST_SITES} sites, here are {document['sites']}."
            )
            return document
        before, _ = read_rows([company / RESULTS / WHO])
        used, wait = to_use(effects, before)
        made = prior_document(used) | {"sites": used["site"].nunique()}
        write_rows(company / RESULTS / WHO, used)
        write_text(place, json.dumps(made, indent=1))
    except (CalibError, OSError) as error:
        document["says"] = f"{NAME} was not written anew: {error}"
        return document
    document["laws"], document["sites"] = len(made["laws"]), made["sites"]
    if wait:
        document["says"] = (
            f"{NAME}: {wait} of its laws and spreads stay as they were, for fewer than {LEAST_SITES} sites have news of them."
        )
    return document


def to_use(effects: pd.DataFrame, before: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Estimates that the file is made of: of a law those of the last file, while fewer than LEAST_SITES sites have news of it.

    News is another estimate, a first one, or none any more. A file that differed by those alone would tell them to whoever
    holds both. Returns the rows, and how many laws and spreads wait.

    effects, before : rows of ``calibration.own_effects`` with site; ``before`` is what this function returned last
    """
    if before.empty:
        return effects, 0
    both = before.merge(effects, how="outer", on=[*KEY, "site"], suffixes=("_before", ""))
    same = (both["mean"] == both["mean_before"]) & (both["variance"] == both["variance_before"])
    per_law = (
        both.assign(news=~same, had=both["mean_before"].notna()).groupby(KEY, as_index=False)[["news", "had"]].sum()
    )
    waits = per_law[(per_law["had"] >= LEAST_SITES) & per_law["news"].between(1, LEAST_SITES - 1)]
    kept = [_of_laws(before, waits, True), _of_laws(effects, waits, False)]
    return pd.concat(kept, ignore_index=True).sort_values([*KEY, "site"], ignore_index=True), len(waits)


def _of_laws(rows: pd.DataFrame, laws: pd.DataFrame, among: bool) -> pd.DataFrame:
    """Rows whose effect is, or is not, among the laws."""
    is_among = pd.MultiIndex.from_frame(rows[KEY]).isin(pd.MultiIndex.from_frame(laws[KEY]))
    found: pd.DataFrame = rows[is_among == among]
    return found
