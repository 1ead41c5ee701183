"""A plan of builds -> a range for each build and stage, and for the whole."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd

from calib.calibration.calibrator import Calibrator
from calib.documents.model import PredictDocument, Prediction
from calib.errors import LogFileError
from calib.logs.formulas import harmless
from calib.logs.read_plan import read_plan
from calib.logs.words import strange_names
from calib.progress import Progress, no_progress
from calib.quoting.learned import as_unwritten
from calib.records import scope_of
from calib.results import PREDICTION, Result
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.workflow.baselines import baseline_frame
from calib.workflow.fitted import Fitted, find_fitted
from calib.workflow.floors import floor_warnings, with_stand_ins
from calib.workflow.parts import with_parts
from calib.workflow.spelling import as_spelled
from calib.workflow.training_rows import is_attended

LEVELS = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
NAMES = [f"p{round(100 * level):02d}_min" for level in LEVELS]
COLUMNS = ["build_id", "process", "stage", "baseline_min", "baseline_basis", "mean_min", *NAMES, "runs_behind"]
DRAWS = 4000
BUILDS_AT_ONCE = 100


def predict_plan(
    folder: Path,
    plan: Path,
    out: Path | None = None,
    progress: Progress = no_progress,
    overwrite: bool = False,
) -> PredictDocument:
    """Predict every build of a plan that is not stored; writes ``out`` as CSV where one is named.

    overwrite : whatever stands in its place is replaced
    Raises LogFileError where no build of the plan can be read.
    """
    result = Result(out, PREDICTION, overwrite, (plan,), ",".join(COLUMNS)) if out is not None else None
    if result:
        result.check()
    shop = read_shop(folder)
    fitted = find_fitted(folder)
    builds, set_aside = read_plan(plan, shop.timezone)
    if builds.empty:
        raise LogFileError(f"{plan} holds no build that could be read.", "; ".join(set_aside[:3]))
    progress(f"Predicting {len(builds)} builds ...")
    rows = stage_rows(with_parts(folder, as_spelled(builds, shop), shop, progress), shop, fitted)
    table = predicted(rows, fitted.model)
    if result:
        texts = {name: table[name].map(harmless) for name in ("build_id", "process", "stage", "baseline_basis")}
        result.write(table.assign(**texts).to_csv(index=False, float_format="%.4f", lineterminator="\n"))
    progress("")
    return {
        "as_of": fitted.as_of,
        "builds": len(builds),
        "predictions": cast(list[Prediction], table.to_dict("records")),
        "out": str(out) if out else None,
        "rows_set_aside": set_aside,
        "warnings": [*fitted.warnings, *name_warnings(builds, shop), *floor_warnings(rows, shop)],
    }


def name_warnings(builds: pd.DataFrame, shop: Shop) -> list[str]:
    """A sentence for each machine and material that the shop lacks, or has for another process."""
    warnings: list[str] = []
    for column, known in (("machine", shop.machines), ("material", shop.materials)):
        groups = builds.groupby([column, "process"])["build_id"].agg(["count", "min"]).reset_index()
        own = {name: machine_or_material.process for name, machine_or_material in known.items()}
        warnings += strange_names(column, groups.itertuples(index=False, name=None), own)
    return warnings


def stage_rows(builds: pd.DataFrame, shop: Shop, fitted: Fitted) -> pd.DataFrame:
    """One row for each build and stage of its route, with its baseline, in the order of work.

    For a material that the shop lacks, the smallest least time of its materials of that process stands in.
    """
    rows = with_stand_ins(baseline_frame(builds, shop), shop)
    supports = builds.reindex(columns=["support_volume_cm3"])["support_volume_cm3"].fillna(0) > 0
    routes = {
        build: {stage: place for place, stage in enumerate(_route(row, has, shop, fitted))}
        for build, row, has in zip(builds["build_id"], builds.to_dict("records"), supports, strict=True)
    }
    place = [routes[build].get(stage, -1) for build, stage in zip(rows["build_id"], rows["stage"], strict=True)]
    rows = rows.assign(place=place, attended=[is_attended(stage) for stage in rows["stage"]])
    order = {build: number for number, build in enumerate(builds["build_id"])}
    rows = rows[rows["place"] >= 0].assign(order=lambda kept: kept["build_id"].map(order))
    return rows.sort_values(["order", "place"]).drop(columns=["order", "place"]).reset_index(drop=True)


ADDED_UP = (
    "parts",
    "part_volume_cm3",
    "part_area_cm2",
    "support_volume_cm3",
    "support_contact_cm2",
    "packed_volume_cm3",
)


def once_for_each_order(rows: pd.DataFrame, builds: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Baselines of stages: what is done once for an order of several builds is shared among them as they need it.

    rows : build_id, process, stage, baseline_min, touch_min and more; builds : ``together`` names those of one order, where it is there
    """
    orders = builds.reindex(columns=["build_id", "process", "machine", "material", "together"]).dropna(
        subset=["together"]
    )
    orders = orders[(orders["together"] != "") & orders.duplicated(["together", "process"], keep=False)]
    if orders.empty:
        return rows
    own = builds.loc[orders.index]
    added = {name: "sum" for name in ADDED_UP if name in own}
    kept = {name: "first" for name in own.columns if name not in {*added, "together", "process"}}
    wholes = own.groupby(["together", "process"], as_index=False).agg(kept | added)
    once = baseline_frame(wholes[own.columns], shop)
    once["order"] = once["build_id"].map(wholes.set_index("build_id")["together"])
    key = rows["build_id"].map(orders.set_index("build_id")["together"])
    whole = once.set_index(["order", "process", "stage"])["baseline_min"]
    shared = key.notna() & rows["stage"].map(lambda stage: scope_of(stage) == "order").astype(bool)
    every = rows[shared].groupby([key[shared], "process", "stage"])["baseline_min"].transform("sum")
    pairs = pd.MultiIndex.from_arrays([key[shared], rows.loc[shared, "process"], rows.loc[shared, "stage"]])
    share = pd.Series(1.0, index=rows.index)
    share[shared] = np.nan_to_num(whole.reindex(pairs).to_numpy(float) / every.to_numpy(float), nan=1.0)
    return rows.assign(baseline_min=rows["baseline_min"] * share, touch_min=rows["touch_min"] * share)


def scheduled_rows(builds: pd.DataFrame, shop: Shop, fitted: Fitted) -> pd.DataFrame:
    """``stage_rows`` as they go through the calendar: what the lab never writes down takes what its gaps leave for it."""
    rows = once_for_each_order(stage_rows(builds, shop, fitted), builds, shop)
    known = {name: rows[name].to_numpy() for name in ("process", "stage", "baseline_min", "touch_min", "prior_sd")}
    return rows.assign(**as_unwritten(known, fitted.silent))


def _route(row: Mapping[Hashable, Any], has_supports: bool, shop: Shop, fitted: Fitted) -> tuple[str, ...]:
    material, finish = (row.get(name) if isinstance(row.get(name), str) else "" for name in ("material", "finish"))
    return fitted.route(row["process"], material or "", finish or "", bool(has_supports), shop)


def predicted(rows: pd.DataFrame, model: Calibrator) -> pd.DataFrame:
    """The table of docs/interface.md: a row for each stage, and a joint range for the whole of each build."""
    grid = np.linspace(0.001, 0.999, 333)
    ranges = model.predict(rows, quantiles=LEVELS)
    stages = rows.assign(
        mean_min=model.predict(rows, quantiles=tuple(grid))[list(grid)].mean(axis=1),
        runs_behind=ranges["runs_behind"],
        **{name: ranges[level] for name, level in zip(NAMES, LEVELS, strict=True)},
    )
    stages = stages.rename(columns={"basis": "baseline_basis"})[COLUMNS]
    wholes = pd.concat([_totals(part, model) for part in _in_lots(rows)], ignore_index=True)
    both = pd.concat([stages, wholes], ignore_index=True)
    order = {build: number for number, build in enumerate(dict.fromkeys(rows["build_id"]))}
    both = both.assign(order=both["build_id"].map(order)).sort_values("order", kind="stable")
    return both.drop(columns="order").reset_index(drop=True)


def _in_lots(rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Rows of BUILDS_AT_ONCE builds each, so that draws of a long plan fit in memory."""
    number = pd.factorize(rows["build_id"])[0] // BUILDS_AT_ONCE
    return [part.reset_index(drop=True) for _, part in rows.groupby(number, sort=True)]


def _totals(rows: pd.DataFrame, model: Calibrator) -> pd.DataFrame:
    """Work of all stages of each build, from joint draws."""
    draws = model.draws(rows, DRAWS, seed=0)
    builds = rows.groupby("build_id", sort=False)
    totals = []
    for build, indices in builds.indices.items():
        whole = draws[:, indices].sum(axis=1)
        low, high = np.quantile(whole, (0.001, 0.999))
        first = rows.iloc[indices[0]]
        totals.append(
            {
                "build_id": build,
                "process": first["process"],
                "stage": "total",
                "baseline_min": rows["baseline_min"].to_numpy()[indices].sum(),
                "baseline_basis": first["basis"],
                "mean_min": whole[(whole >= low) & (whole <= high)].mean(),
                **dict(zip(NAMES, np.quantile(whole, LEVELS), strict=True)),
                "runs_behind": 0,
            }
        )
    return pd.DataFrame(totals, columns=COLUMNS)
