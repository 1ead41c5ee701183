"""Past builds and orders, each as one thing: was its finish inside the range that the state of its day gave, and its work?

Week by week on what was known on Monday: the model, waits, failures and routes; then each job whose first run began in
that week, from the very state of that minute (runs under way without their ends), through the calendar with the queue.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property

import numpy as np
import pandas as pd

from calib.calendar.clock import OpenClock, to_minutes
from calib.calibration.backtest import WARM_UP_WEEKS
from calib.calibration.calibrator import Calibrator
from calib.calibration.checkpoints import Checkpoints
from calib.calibration.priors import Priors
from calib.calibration.scores import CENTRAL, interval_score
from calib.documents.model import Honesty, ScoredJobs
from calib.progress import Count
from calib.quoting.flow import run_queue
from calib.workflow.fit import Logged, begun_by, learn, side_tables
from calib.workflow.fitted import Fitted, fitted_of, learned_of
from calib.workflow.predict import stage_rows
from calib.workflow.queue import stand_in_line, under_way
from calib.workflow.training_rows import runs_by_build

DRAWS = 500
LEVELS = sorted({0.5, *(level for pair in CENTRAL.values() for level in pair)})


@dataclass(frozen=True, eq=False)
class Job:
    """kind : 'build' or 'order'; began, ended : UTC; last : stage that ended it; builds : what it holds"""

    kind: str
    process: str
    builds: tuple[str, ...]
    began: pd.Timestamp
    ended: pd.Timestamp
    last: str


@dataclass(frozen=True, eq=False)
class JobScore:
    """What was expected of a job at its start, beside what came.

    off_h : the middle of what was expected less what came [h]
    finish, work : shape (levels,), logs of what was expected, at LEVELS, to what came; NaN where nothing can be compared
    """

    off_h: float
    finish: np.ndarray
    work: np.ndarray


@dataclass(frozen=True, eq=False)
class Past:
    """All that is logged, with the builds' parts, and the minutes that each stage of a build came to.

    priors : what other sites know, where this lab keeps it
    """

    logged: Logged
    came: pd.DataFrame
    priors: Priors | None = None

    @cached_property
    def served(self) -> pd.DataFrame:
        """Runs, once for each build that they served."""
        return runs_by_build(self.logged.builds, self.logged.runs)


def backtest_jobs(past: Past, weeks: int | None, progress: Count) -> list[ScoredJobs]:
    """One row for each kind of job and process, and for each kind over all processes (process null).

    Returns kind, process, jobs, ``finish`` and ``work``: coverage {"50", "80", "90", "95"} and interval_score (mean 80 %
    score of log hours from the start, of log minutes of its stages added); ``off_h``: mean of what was expected in the
    middle less what came [h]; positive: it came sooner.
    """
    return _summed(replay_jobs(past, weeks, progress))


def replay_jobs(past: Past, weeks: int | None, progress: Count) -> list[tuple[Job, JobScore]]:
    """Each job of the weeks to score, beside what was expected of it at its start."""
    jobs, known = find_jobs(past.logged), Checkpoints()
    mondays = _mondays(jobs, weeks)
    wanted = [job for job in jobs if mondays and job.began >= mondays[0]]
    rows: list[tuple[Job, JobScore]] = []
    scored: dict[tuple[str, ...], JobScore] = {}  # an order of one build is that build
    for monday in mondays:
        fitted = _fitted(past, monday, known)
        for job in (job for job in wanted if monday <= job.began < monday + timedelta(weeks=1)):
            if job.builds not in scored:
                scored[job.builds] = _scored(past, fitted, job)
            rows.append((job, scored[job.builds]))
            progress(len(rows), len(wanted))
    return rows


def find_jobs(logged: Logged) -> list[Job]:
    """Builds that went through the stage that usually ends their process, and orders of which every build did; by start."""
    done = logged.runs[logged.runs["started_at"].notna() & (logged.runs["outcome"] != "void")]
    shares = runs_by_build(logged.builds, done).sort_values("started_at", kind="stable")
    spans = shares.groupby("build_id").agg(
        began=("started_at", "min"), ended=("ended_at", "last"), last=("stage", "last"), state=("state", "last")
    )
    builds = logged.builds.set_index("build_id").reindex(spans.index)
    spans["process"], spans["order"] = builds["process"], builds["order_id"]
    usual = spans.groupby("process")["last"].agg(lambda stages: stages.mode().iloc[0])
    spans["whole"] = (spans["last"] == spans["process"].map(usual)) & (spans["state"] == "done")
    single = [_job("build", spans.loc[[name]]) for name in spans.index[spans["whole"]]]
    by_order = spans[~spans["order"].fillna("+").str.contains("+", regex=False)].groupby("order")
    orders = [_job("order", own) for _, own in by_order if own["whole"].all() and own["process"].nunique() == 1]
    return sorted([*single, *orders], key=lambda job: job.began)


def _job(kind: str, spans: pd.DataFrame) -> Job:
    latest = spans.sort_values("ended").iloc[-1]
    return Job(kind, latest["process"], tuple(spans.index), spans["began"].min(), latest["ended"], latest["last"])


def _mondays(jobs: Sequence[Job], weeks: int | None) -> list[pd.Timestamp]:
    """Starts of the weeks to score: the last so many; all but the first WARM_UP_WEEKS, or half of them."""
    starts = pd.DatetimeIndex([job.began for job in jobs])
    mondays = sorted(set(starts.floor("D") - pd.to_timedelta(starts.day_of_week, unit="D")))
    warm_up = min(WARM_UP_WEEKS, len(mondays) // 2)
    return mondays[warm_up:] if weeks is None else mondays[1:][-weeks:]


def _fitted(past: Past, monday: pd.Timestamp, known: Checkpoints) -> Fitted:
    """What a fit of that morning would have learned."""
    logged = past.logged
    begun = logged.runs["started_at"].fillna(logged.runs["ended_at"]) <= monday
    then = replace(begun_by(logged, monday), runs=logged.runs[begun])
    model = Calibrator(priors=past.priors).fit(learn(then, monday).rows, checkpoints=known)
    return fitted_of(model, side_tables(then, monday, model), str(monday.date()))


def _scored(past: Past, fitted: Fitted, job: Job) -> JobScore:
    logged, now = past.logged, to_minutes(job.began)
    queue = stand_in_line(*_as_of(past, job), logged.shop, fitted, now, set())
    mine = [build for build in queue if build.build_id in job.builds]
    own = {name for build in mine for name in (f"queued {build.build_id}", f"order {build.together}")}
    clock = OpenClock(logged.shop.attended, logged.shop.closures, logged.shop.timezone)
    runs, _ = run_queue(queue, logged.shop, clock, now, learned_of(fitted, logged.shop), DRAWS, seed=0)
    ends = [run.end for run in runs if run.job in own and run.stage == job.last]
    finish = np.quantile(np.maximum.reduce(ends) - now, LEVELS) if ends else np.full(len(LEVELS), np.nan)
    lead = (job.ended - job.began).total_seconds() / 60
    work, worked = _work(past, fitted, job)
    return JobScore(
        off_h=(finish[LEVELS.index(0.5)] - lead) / 60,
        finish=np.log(np.maximum(finish, 1.0) / max(lead, 1.0)),
        work=np.log(work / worked),
    )


def _as_of(past: Past, job: Job) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Builds under way when the job began, the job's own among them, and runs as they were known then."""
    begun = under_way(past.logged.builds, _known_at(job.began, past.served), job.began)
    builds = past.logged.builds.assign(status=np.where(begun, "running", "planned"), quote_id="", not_before=-np.inf)
    builds = builds[begun | builds["build_id"].isin(job.builds)].reset_index(drop=True)
    return builds, _known_at(job.began, past.logged.runs)


def _known_at(now: pd.Timestamp, runs: pd.DataFrame) -> pd.DataFrame:
    """Runs that had begun, without the ends that were still to come."""
    runs = runs[(runs["started_at"].fillna(runs["ended_at"]) <= now)]
    ahead = runs["ended_at"] > now
    return runs.assign(
        ended_at=runs["ended_at"].mask(ahead),
        work_min=runs["work_min"].mask(ahead),
        outcome=runs["outcome"].mask(ahead, "done"),
    )


def _work(past: Past, fitted: Fitted, job: Job) -> tuple[np.ndarray, float]:
    """Minutes of the job's logged stages added: at LEVELS as expected, and as they came; NaN where none can be compared."""
    builds, shop = past.logged.builds, past.logged.shop
    own = builds[builds["build_id"].isin(job.builds)].reset_index(drop=True)
    both = stage_rows(own, shop, fitted).merge(past.came, on=["build_id", "stage"])
    if both.empty:
        return np.full(len(LEVELS), np.nan), np.nan
    whole = fitted.model.draws(both.drop(columns="actual_min"), DRAWS, seed=0).sum(axis=1)
    return np.quantile(whole, LEVELS), float(both["actual_min"].sum())


def _summed(rows: list[tuple[Job, JobScore]]) -> list[ScoredJobs]:
    summed = []
    for kind in ("build", "order"):
        own = [(job, score) for job, score in rows if job.kind == kind]
        for process in (None, *sorted({job.process for job, _ in own})):
            summed.append(_together(kind, process, [score for job, score in own if process in (None, job.process)]))
    return summed


def _together(kind: str, process: str | None, scores: list[JobScore]) -> ScoredJobs:
    off = np.array([score.off_h for score in scores], float)
    off = off[np.isfinite(off)]
    return {
        "kind": kind,
        "process": process,
        "jobs": len(scores),
        "finish": _honesty([score.finish for score in scores]),
        "work": _honesty([score.work for score in scores]),
        "off_h": round(float(off.mean()), 2) if len(off) else None,
    }


def _honesty(ratios: list[np.ndarray]) -> Honesty:
    """Coverage and mean 80 % interval score of log ratios of what was expected to what came, at LEVELS."""
    table = np.array(ratios, float).reshape(-1, len(LEVELS))
    table = table[np.isfinite(table).all(axis=1)]
    if not len(table):
        return {"coverage": dict.fromkeys(CENTRAL), "interval_score": None}
    ends = {level: table[:, place] for place, level in enumerate(LEVELS)}
    inside = {name: (ends[low] <= 1e-12) & (ends[high] >= -1e-12) for name, (low, high) in CENTRAL.items()}
    return {
        "coverage": {name: round(float(covered.mean()), 4) for name, covered in inside.items()},
        "interval_score": round(float(interval_score(0.0, ends[0.1], ends[0.9], 0.8).mean()), 5),  # type: ignore[arg-type]
    }
