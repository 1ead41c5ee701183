"""Why a stage takes what it takes: its correction split into effects, its odd runs, what would narrow its range."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd

from calib.calibration.calibrator import SINGLE_RUN, Calibrator
from calib.calibration.explain import PERSON_RUNS, SAMPLE
from calib.calibration.outliers import find_suspects
from calib.documents.model import Effect, Effects, Narrowing, Residual, TotalEffect, WhyDocument
from calib.errors import TooFewRunsError, UsageError
from calib.records import PROCESSES, STAGES, process_code
from calib.shop.read_shop import read_shop
from calib.spelling import nearest
from calib.store.fits import find_fit
from calib.store.known_people import alias_of, find_key, is_alias
from calib.store.open_store import open_store
from calib.store.runs import find_places

MORE_RUNS = 5  # runs to come that the range is worked out for
USUAL_MIN = 60.0  # baseline that a stage without runs is shown for; no effect of size is known then


def explain(folder: Path, process: str, stage: str, persons: bool = False) -> WhyDocument:
    """The ``why`` document of one stage, from the last fit.

    persons : also each person with PERSON_RUNS runs or more, by alias and in the order of aliases
    Raises TooFewRunsError before the first fit, UsageError for a process or a stage that is none.
    """
    timezone = read_shop(folder).timezone
    with open_store(folder, read_only=True) as store:
        found, key = find_fit(store), find_key(store)
    if found is None:
        raise TooFewRunsError("Nothing was learned yet, so there is nothing to explain.", "Run: calib fit, then again.")
    tables, meta = found
    errors = tables["errors"]
    process, stage = cell_of(process, stage, errors)
    model = Calibrator.from_tables(tables)
    runs = errors[(errors["process"] == process) & (errors["stage"] == stage)]
    typical = runs.tail(SAMPLE) if len(runs) else nobody_knows(process, stage)
    single = model.single_runs(typical)
    suspects = find_suspects(runs) if len(runs) else pd.DataFrame()
    with open_store(folder, read_only=True) as store:
        places = find_places(store, suspects["run_key"] if len(suspects) else ())
    return {
        "process": process,
        "stage": stage,
        "as_of": meta["as_of"],
        "runs": len(runs),
        "single_run": {name: float(single[name].iloc[0]) for name in SINGLE_RUN},
        "second_law": model.second_law if model.second_law["weight"] > 0 else None,
        **_effects(_with_aliases(model.effects(runs if len(runs) else typical), key), persons),
        "residuals": [_residual(row, places, timezone) for row in suspects.to_dict("records")],
        "narrowing": cast(list[Narrowing], model.narrowing(typical, MORE_RUNS).to_dict("records")),
        "warnings": ["The logs have changed since the last fit. Run: calib fit"] if meta["logs_since"] else [],
    }


def cell_of(process: str, stage: str, errors: pd.DataFrame) -> tuple[str, str]:
    """Process code and stage name of two words that a person typed.

    Raises UsageError for a process or a stage that is none.
    """
    code = process_code(process)
    if code is None:
        raise UsageError(f'"{process}" is no process.', f"Processes: {', '.join(PROCESSES)}. {_example()}")
    known = {*STAGES, *errors["stage"].dropna()}
    name = stage.strip().lower().replace(" ", "_").replace("-", "_")
    if name not in known:
        near = nearest(name, known)
        logged = sorted({*errors.loc[errors["process"] == code, "stage"]})
        hint = (
            f"Did you mean {' or '.join(near)}?" if near else f"Logged stages of {code}: {', '.join(logged) or 'none'}."
        )
        raise UsageError(f'"{stage}" is no stage.', hint)
    return code, name


def _example() -> str:
    return "For example: calib why PBF blasting"


def _with_aliases(effects: pd.DataFrame, key: str) -> pd.DataFrame:
    """Persons as aliases, also where the shop keeps names, and in the order of aliases."""
    people = effects["factor"] == "operator"
    value = [name if not who or is_alias(name) else alias_of(name, key)
             for name, who in zip(effects["value"], people, strict=True)]  # fmt: skip
    effects = effects.assign(value=value)
    return pd.concat([effects[~people], effects[people].sort_values("value")])


def nobody_knows(process: str, stage: str) -> pd.DataFrame:
    return pd.DataFrame({"process": [process], "stage": [stage], "baseline_min": [USUAL_MIN]})


def _effects(found: pd.DataFrame, persons: bool) -> Effects:
    """The effects by kind; persons only as how much they differ, unless asked for."""
    found = found.rename(columns={"low": "low_pct", "high": "high_pct"})
    people = found[(found["kind"] == "value") & (found["factor"] == "operator")]
    shown = found if persons else found.drop(people.index)
    kinds = {kind: shown[shown["kind"] == kind].drop(columns="kind") for kind in ("total", "part", "value", "size")}
    spread = float(100 * np.expm1(np.log1p(people["per_cent"] / 100).std(ddof=0))) if len(people) > 1 else None
    [total], sizes = (
        cast(list[TotalEffect], kinds[kind].drop(columns=["factor", "value"]).to_dict("records"))
        for kind in ("total", "size")
    )
    return {
        "total": total,
        "parts": cast(list[Effect], kinds["part"].drop(columns="value").to_dict("records")),
        "values": cast(list[Effect], kinds["value"].to_dict("records")),
        "size": next(iter(sizes), None),
        "people": {"told_apart": len(people), "least_runs": PERSON_RUNS, "differ_pct": spread},
    }


def _residual(row: Mapping[Any, Any], places: dict[str, tuple[str, int]], timezone: str) -> Residual:
    file, line = places.get(row["run_key"], (None, None))
    return {
        "run_key": row["run_key"],
        "build_id": row["build_id"],
        "expected_min": row["expected_min"],
        "actual_min": row["actual_min"],
        "ratio": row["ratio"],
        "z": row["z"],
        "likely_wrong": row["likely_wrong"],
        "says": row["says"],
        "ended_at": row["ended_at"].tz_convert(timezone),
        "file": file,
        "line": line,
    }
