"""Learn from what is logged, and keep what was learned."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter
from typing import cast

import numpy as np
import pandas as pd

from calib.calendar.written_time import end_of_day
from calib.calibration.calibrator import Calibrator
from calib.calibration.checkpoints import Checkpoints
from calib.calibration.failures import Failures
from calib.calibration.outliers import likely_wrong
from calib.calibration.waits import Waits
from calib.documents.drift import DriftDocument
from calib.documents.model import Cell, FitDocument
from calib.errors import TooFewRunsError
from calib.progress import Progress, counted, no_progress
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.fits import find_checkpoints, save_checkpoints, save_fit
from calib.store.open_store import open_store
from calib.store.review import mark_far, mark_never_ended
from calib.store.runs import find_builds, find_runs
from calib.store.stage_questions import NOT_DONE, NOT_WRITTEN, ask_of_stages, stages_answered
from calib.workflow.baselines import baseline_frame
from calib.workflow.drift import keep_look
from calib.workflow.fitted import silent_of
from calib.workflow.floors import as_questions, below_floor, floor_warnings, with_stand_ins
from calib.workflow.gaps import AT_MOST, NEVER_SEEN_IN, find_gaps, silent_shares, silent_stages, wait_rows, with_shares
from calib.workflow.how_far import never_ended
from calib.workflow.log_next import log_next
from calib.workflow.parts import with_parts
from calib.workflow.predict import once_for_each_order
from calib.workflow.prior import keep_prior, kept_priors
from calib.workflow.route_proposals import propose_routes
from calib.workflow.routes import logged_routes
from calib.workflow.side_models import failure_rows, machines_that_run_on, redo_rows, staff_table
from calib.workflow.spelling import as_spelled
from calib.workflow.training_rows import TrainingRows, training_rows, went_together
from calib.workflow.unwritten import beside_the_model, silent_table, unwritten_runs
from calib.workflow.why import nobody_knows

SDS_OF_80 = 1.2815515655446004  # of a normal law, from its middle to either end of its 80 % range


@dataclass(frozen=True)
class Logged:
    """All that a fit reads: the shop, its builds and runs, the baselines beside them; stages that are not done, as a person said.

    measured : builds with what their parts measure; alone : baselines of each build by itself; baselines : the same with
    what is done once for an order shared among its builds
    """

    shop: Shop
    builds: pd.DataFrame
    runs: pd.DataFrame
    measured: pd.DataFrame
    alone: pd.DataFrame
    baselines: pd.DataFrame
    last_end: pd.Timestamp | None
    not_done: frozenset[tuple[str, str]] = frozenset()
    not_written: frozenset[tuple[str, str]] = frozenset()


def fit_shop(
    folder: Path, as_of: str | None = None, progress: Progress = no_progress, prior: str | None = None
) -> FitDocument:
    """The ``fit`` document of ``fit_and_look``."""
    return fit_and_look(folder, as_of, progress, prior)[0]


def fit_and_look(
    folder: Path, as_of: str | None = None, progress: Progress = lambda text: None, prior: str | None = None
) -> tuple[FitDocument, DriftDocument | None]:
    """Fit on the runs that had ended by ``as_of`` and store the fit, then look for drift.

    Weeks that the last fit knew and that no log has changed since are not learned again: the result is the same.
    prior : a file of what other sites know, kept for this and later fits; 'none': no more
    Returns the ``fit`` and the ``drift`` document (docs/interface.md); no drift where ``as_of`` is given: nobody looked.
    """
    started = perf_counter()
    if prior is not None:
        keep_prior(folder, prior)
    progress("Reading builds and runs ...")
    logged = read_logged(folder, progress)
    horizon = horizon_of(logged, as_of)
    then = begun_by(logged, horizon)
    learned = learn(then, horizon)
    with open_store(folder, read_only=True) as store:
        known = Checkpoints.from_arrays(find_checkpoints(store)) if as_of is None else None
    priors, elsewhere = kept_priors(folder, logged.shop)
    model = Calibrator(priors=priors).fit(
        learned.rows, checkpoints=known, progress=counted(progress, "Learning from {} of {} runs ...")
    )
    progress("Learning waits, failures and routes ...")
    tables = model.to_tables() | {"errors": model.errors_} | side_tables(then, horizon, model)
    still_open = never_ended(logged.runs, logged.baselines, model, logged.shop, horizon.timestamp() / 60)
    progress("Looking for what to log next ...")
    document = fit_document(model, learned, horizon, logged.shop) | {
        "prior": elsewhere and {**elsewhere, "used": model.summary_["has_priors"]},
        "log_next": log_next(model, then.baselines, model.errors_, logged.shop),
        "own_routes": propose_routes(then.builds, ended_by(then, horizon), logged.shop, logged.not_done),
        "below_floor": below_floor(learned, ended_by(then, horizon), logged.shop),
        "warnings": [
            *([beyond] if (beyond := beyond_the_logs(as_of, logged)) else []),
            *floor_warnings(learned.with_below_floor, logged.shop),
        ],
    }
    with open_store(folder) as store:
        save_fit(store, tables, document, logged.shop.version)
        if known is not None:
            save_checkpoints(store, known.to_arrays())
            marks = pd.concat([likely_wrong(model.errors_), as_questions(learned)], ignore_index=True)
            mark_far(store, marks.drop_duplicates("run_key"))
            mark_never_ended(store, still_open)
            ask_of_stages(store, stages_to_ask_of(tables["never_logged"]))
    drift = None
    if as_of is None:
        progress("Looking for drift ...")
        drift = keep_look(folder)
    progress("")
    return document | {"seconds": round(perf_counter() - started, 3)}, drift


def stages_to_ask_of(never_logged: pd.DataFrame) -> dict[tuple[str, str], int]:
    """(process, stage) that no run of so many builds is of: of fewer builds nobody can say yet that it is a habit."""
    often = never_logged[never_logged["builds"] >= NEVER_SEEN_IN]
    return {(process, stage): int(builds) for process, stage, builds in often.itertuples(index=False)}


def read_logged(folder: Path, progress: Progress = no_progress) -> Logged:
    """Read shop and store, close the store, measure parts that are new, and compute the baselines."""
    shop = read_shop(folder)
    with open_store(folder, read_only=True) as store:
        builds, runs = find_builds(store), find_runs(store)
        not_done, not_written = stages_answered(store, NOT_DONE), stages_answered(store, NOT_WRITTEN)
    builds, runs = as_spelled(builds.assign(at=first_days(builds, runs)), shop), as_spelled(runs, shop)
    ends = runs["ended_at"].dropna()
    measured = with_parts(folder, builds, shop, progress)
    alone = with_stand_ins(baseline_frame(measured, shop), shop)
    return Logged(
        shop,
        builds,
        runs,
        measured,
        alone,
        shared_in_orders(alone, measured, runs, shop),
        ends.max() if len(ends) else None,
        not_done,
        not_written,
    )


def shared_in_orders(alone: pd.DataFrame, measured: pd.DataFrame, runs: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Baselines where what is done once for an order is shared among the builds that these runs did it for."""
    together = measured["build_id"].map(went_together(measured, runs))
    return once_for_each_order(alone, measured.assign(together=together.array), shop)


def first_days(builds: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """Day on which each build began, as text; a machine's parameters of that day belong to it."""
    return builds["build_id"].map(first_starts(runs).dt.strftime("%Y-%m-%d")).astype(object)


def first_starts(runs: pd.DataFrame) -> pd.Series:
    """When each build began, by build_id."""
    return runs[["build_ids", "started_at"]].explode("build_ids").groupby("build_ids")["started_at"].min()


def begun_by(logged: Logged, horizon: pd.Timestamp) -> Logged:
    """The same without the builds that began later: no fit of that moment can know them. Runs stay, to be counted."""
    starts = first_starts(logged.runs).reindex(logged.builds["build_id"])
    builds = logged.builds[~(starts > horizon).to_numpy()]
    measured, alone = (
        frame[frame["build_id"].isin(builds["build_id"])].reset_index(drop=True)
        for frame in (logged.measured, logged.alone)
    )
    begun = logged.runs[logged.runs["started_at"].fillna(logged.runs["ended_at"]) <= horizon]
    if len(builds) == len(logged.builds) and len(begun) == len(logged.runs):
        return logged
    baselines = shared_in_orders(alone, measured, begun, logged.shop)
    return replace(logged, builds=builds.reset_index(drop=True), measured=measured, alone=alone, baselines=baselines)


def ended_by(logged: Logged, horizon: pd.Timestamp) -> pd.DataFrame:
    """Runs that had ended."""
    return logged.runs[logged.runs["ended_at"] <= horizon]


def horizon_of(logged: Logged, as_of: str | None) -> pd.Timestamp:
    """The moment up to which is learned: the last logged end, of those by the end of the day asked for if one is.

    A fit of that day had its last end and no later moment to go by.
    Raises TooFewRunsError where no finished run is logged.
    """
    if logged.last_end is None:
        raise TooFewRunsError(
            "No finished run is logged yet.",
            "Import logs first: calib import logs/. Until then quotes rest on physics alone.",
        )
    if not as_of:
        return logged.last_end
    day = pd.Timestamp(end_of_day(as_of, logged.shop.timezone))
    ended = ended_by(logged, day)["ended_at"]
    return ended.max() if len(ended) else day


def beyond_the_logs(as_of: str | None, logged: Logged) -> str:
    """A sentence where the day asked for is later than the last log, else ''."""
    assert logged.last_end is not None, "a fit has something to learn from"
    last = str(logged.last_end.tz_convert(logged.shop.timezone).date())
    return f"The last log ends on {last}: learned up to that day, not to {as_of}." if as_of and as_of > last else ""


def learn(logged: Logged, horizon: pd.Timestamp) -> TrainingRows:
    """What can be learned from by then. Raises TooFewRunsError where it is nothing."""
    learned = training_rows(logged.builds, logged.runs, logged.baselines, horizon)
    if learned.rows.empty:
        raise TooFewRunsError(
            f"No run had ended by {horizon.date()} that could be learned from.",
            f"Left out: {', '.join(f'{count} {why}' for why, count in learned.left_out.items()) or 'none'}. Name a later day, or import more logs.",
        )
    return learned


def side_tables(logged: Logged, horizon: pd.Timestamp, model: Calibrator) -> dict[str, pd.DataFrame]:
    """What quotes need beside the correction: waits before stages, failed builds, routes as logged."""
    known = (logged.builds, logged.runs, horizon)
    never_logged = silent_stages(logged.builds, ended_by(logged, horizon), logged.baselines, logged.shop)
    pairs = zip(never_logged["process"], never_logged["stage"], strict=True)
    silent = never_logged[np.array([pair not in logged.not_done for pair in pairs], bool)].reset_index(drop=True)
    bare = find_gaps(logged.builds, logged.runs, logged.shop, horizon)
    lines = unwritten_runs(bare, silent, logged.shop)
    shares = silent_table(silent_shares(bare, silent, logged.shop), lines)
    gaps = find_gaps(logged.builds, logged.runs, logged.shop, horizon, with_shares(silent, silent_of(shares)))
    waits = wait_rows(gaps, logged.shop)
    return {
        "waits": Waits().fit(waits).to_table(),
        "staff": staff_table(logged.runs, logged.shop, waits, horizon),
        "silent": silent_table(
            silent_shares(bare, silent, logged.shop, not_written=logged.not_written),
            beside_the_model(lines, silent, logged.baselines, model),
            silent_shares(bare, silent, logged.shop, AT_MOST, unseen=1.0, not_written=logged.not_written),
        ),
        "runs_on": machines_that_run_on(logged.runs, logged.baselines, logged.shop, horizon),
        "failures": Failures().fit(failure_rows(*known), redo_rows(*known)).to_table(),
        "never_logged": never_logged.groupby(["process", "stage"])["build_id"].nunique().rename("builds").reset_index(),
        "not_done": pd.DataFrame(sorted(logged.not_done), columns=["process", "stage"]),
        "routes": logged_routes(logged.builds, logged.runs, horizon),
    }


def fit_document(model: Calibrator, learned: TrainingRows, horizon: pd.Timestamp, shop: Shop) -> FitDocument:
    left_out = dict(learned.left_out)
    for reason, count in model.summary_["runs_left_out"].items():
        left_out[reason] = left_out.get(reason, 0) + count
    return {
        "as_of": str(horizon.tz_convert(shop.timezone).date()),
        "runs_used": int(model.summary_["runs_used"]),
        "runs_left_out": left_out,
        "cells": _cells(model),
        "ended": model.summary_["converged"],
        "seconds": None,
    }


def _cells(model: Calibrator) -> list[Cell]:
    """Each stage as ``calib why`` has it: a single run over its baseline, with the range that holds 8 of 10 times."""
    cells, errors = model.cells_[["process", "stage", "runs"]], model.errors_
    own = set(zip(errors["process"], errors["stage"], strict=True))
    without = [
        nobody_knows(process, stage)
        for process, stage in zip(cells["process"], cells["stage"], strict=True)
        if (process, stage) not in own  # logged together with other stages alone
    ]
    single = model.single_runs(pd.concat([errors, *without], ignore_index=True))
    single["ratio_p50"] = single["p50_ratio"]
    single["spread"] = np.log(single["p90_ratio"] / single["p10_ratio"]) / (2 * SDS_OF_80)
    return cast(list[Cell], cells.merge(single, on=["process", "stage"]).to_dict("records"))
