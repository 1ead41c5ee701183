"""The week in one page: what it shows, gathered from the store and the last fit; the page itself computes nothing."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pandas as pd

from calib.calibration.backtest import replay, score
from calib.calibration.checkpoints import Checkpoints
from calib.documents.drift import DriftDocument, StageDrift
from calib.documents.promises import Order, RangeScore
from calib.documents.spans import Named
from calib.documents.week import Bottleneck, ProcessTime, ReportDocument, TimeGoes, WeekData
from calib.errors import NoPlanError, TooFewRunsError
from calib.progress import Progress, counted, no_progress
from calib.quoting.promise import score_ranges
from calib.report.sentences import three_sentences
from calib.report.week import week_page
from calib.results import WEEK, Result
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.store.fits import find_checkpoints
from calib.store.health import find_health
from calib.store.open_store import open_store
from calib.store.quotes import find_orders, promised_at
from calib.store.review import list_review
from calib.store.settings import find_setting
from calib.workflow.backtest import PEERS_NAME
from calib.workflow.capacity import mean_lead_h, resource_loads
from calib.workflow.demand import begun_lately, flow_of, logged_demand
from calib.workflow.drift import charts_of, find_drift
from calib.workflow.fit import Logged, read_logged
from calib.workflow.fitted import find_fitted
from calib.workflow.floors import below_floor, floor_warnings
from calib.workflow.gaps import find_gaps, wait_rows
from calib.workflow.pages import check_folder
from calib.workflow.prior import kept_priors
from calib.workflow.promises import find_promises
from calib.workflow.quotes import ranges_of
from calib.workflow.side_models import failure_rows
from calib.workflow.training_rows import TrainingRows, runs_by_build, training_rows

RECENT_WEEKS = 4
HONESTY_WEEKS = 13
REPLAYING = "Checking the ranges of {} of {} past runs ..."


def week_data(folder: Path, shop: Shop, drift: DriftDocument, progress: Progress = no_progress) -> WeekData:
    """The keys that ``report.week.week_page`` takes."""
    logged = read_logged(folder, progress)
    assert logged.last_end is not None, "drift was found, so something is logged"
    learned = training_rows(logged.builds, logged.runs, logged.baselines, logged.last_end)
    with open_store(folder, read_only=True) as store:
        health, orders, questions, peers = (
            find_health(store),
            find_orders(store),
            list_review(store),
            find_setting(store, PEERS_NAME),
        )
        known = Checkpoints.from_arrays(find_checkpoints(store))
    below = [run for run in below_floor(learned, logged.runs, shop) if run["new"]]
    waiting = health | {"questions": [question["sentence"] for question in questions], "below_floor": below}
    counting = counted(progress, REPLAYING)
    priors, _ = kept_priors(folder, shop)
    honest = score(replay(learned.rows, HONESTY_WEEKS, {"priors": priors}, counting, known))
    progress("Running the last weeks through the shop ...")
    return {
        "shop": shop.name,
        "as_of": drift["as_of"],
        "drift": drift,
        "backtest": honest,
        "quotes": quotes_packed(orders, logged.last_end - timedelta(weeks=HONESTY_WEEKS)),
        "time_goes": time_goes(logged, learned) | {"bottleneck": bottleneck(folder, shop)},
        "health": waiting,
        "peers": json.loads(peers) if peers else None,
        "notes": [*drift["warnings"], *floor_warnings(learned.with_below_floor, shop)],
    }


def quotes_packed(orders: list[Order], since: pd.Timestamp) -> RangeScore:
    """What became of quotes whose parts were packed since then: as ``score_ranges``, and in_time by the promised time."""
    done = [(order, ready) for order in orders if (ready := order["ready_at"]) is not None and ready > since]
    in_time = sum(ready <= promised_at(order) for order, ready in done)
    return {**score_ranges(ranges_of([order for order, _ in done])), "in_time": in_time}


def time_goes(logged: Logged, learned: TrainingRows) -> TimeGoes:
    """Minutes of hands, of machines and of waiting in open hours for each process; builds that failed."""
    assert logged.last_end is not None
    since = logged.last_end - timedelta(weeks=RECENT_WEEKS)
    ended = logged.runs.loc[logged.runs["ended_at"].notna(), "run_key"]  # failed ones took their time too
    recent = learned.rows[(learned.rows["ended_at"] > since) & learned.rows["run_key"].isin(ended)]
    touched = recent["actual_min"].where(recent["attended"], recent[["actual_min", "touch_min"]].min(axis=1))
    demand = recent.assign(minutes=recent["actual_min"], touch_min=touched.fillna(0.0))
    gaps = find_gaps(logged.builds, logged.runs, logged.shop, logged.last_end)
    waits = wait_rows(gaps, logged.shop, since)
    waiting = waits.groupby("process")["wait_min"].sum()
    rows: list[ProcessTime] = [
        {
            "process": str(process),
            "touch_min": float(part["touch_min"].sum()),
            "machine_min": float((part["minutes"] - part["touch_min"]).sum()),
            "wait_min": float(waiting.get(process, 0.0)),
            "builds": int(part["build_id"].nunique()),
        }
        for process, part in demand.groupby("process", sort=False)
    ]
    printed, _ = begun_lately(runs_by_build(logged.builds, logged.runs), RECENT_WEEKS)  # as capacity counts them
    outcomes = failure_rows(logged.builds[logged.builds["build_id"].isin(printed)], logged.runs, logged.last_end)
    return {
        "rows": rows,
        "since": str(since.date()),
        "printed": len(printed),
        "failed": int(outcomes["failed"].sum()),
    }


def bottleneck(folder: Path, shop: Shop) -> Bottleneck | None:
    """The first of the resources of ``calib capacity``, with the mean ``lead_time_h``.

    None where no printing is logged, or so few runs that some draws never come to their end.
    """
    fitted = find_fitted(folder)
    try:
        demand = logged_demand(folder, shop, RECENT_WEEKS)
        flow = flow_of(demand, shop, shop, fitted)
    except (TooFewRunsError, NoPlanError):
        return None
    return {**resource_loads(flow, demand, fitted)[0], "lead_time_h": mean_lead_h(flow)}


def write_report(
    folder: Path,
    out: Path,
    persons: bool = False,
    progress: Progress = no_progress,
    overwrite: bool = False,
    drift: DriftDocument | None = None,
) -> ReportDocument:
    """Write ``week-YYYY-MM-DD.html`` into ``out``; says where it is and what it says.

    persons : also say whom to ask about a change
    overwrite : whatever stands in the page's place is replaced
    drift : the document of ``find_drift``, where it is there already
    Returns page, as_of, sentences, ``drifting`` and ``erratic`` (process and stage of each), below_floor, warnings.
    """
    check_folder(out)
    if drift is None:
        progress("Looking for drift ...")
        drift = find_drift(folder, persons=persons)
    page = out / f"week-{drift['as_of']}.html"
    result = Result(page, WEEK, overwrite)
    result.check()
    progress("Writing the page ...")
    promises = find_promises(folder)
    data = week_data(folder, read_shop(folder), drift, progress)
    data["open_promises"] = promises
    result.write(week_page(data))
    progress("")
    charts = charts_of(drift)
    return {
        "page": str(page),
        "as_of": drift["as_of"],
        "sentences": three_sentences(data),
        "open_promises": promises,
        "drifting": [named(chart) for chart in charts if chart["state"] == "drifting"],
        "erratic": [named(chart) for chart in charts if chart["erratic"] and chart["erratic"]["change_pct"] > 0],
        "below_floor": (data["health"] or {}).get("below_floor", []),
        "warnings": drift["warnings"],
    }


def named(chart: StageDrift) -> Named:
    return {"process": chart["process"], "stage": chart["stage"]}


def find_week(folder: Path) -> WeekData:
    """The keys that ``report.week.week_page`` takes. Raises TooFewRunsError where nothing was learned yet."""
    drift = find_drift(folder)
    return week_data(folder, read_shop(folder), drift) | {"open_promises": find_promises(folder)}
