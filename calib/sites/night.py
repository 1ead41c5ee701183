"""A night: one task for each site on an engine, and what became of them, as one document."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import cast

from calib.documents.week import SiteOutcome, SitesDocument
from calib.errors import UsageError
from calib.progress import Progress, no_progress
from calib.sites.prior_file import write_prior
from calib.sites.task import DONE, LEFT_OUT, RESULTS, ROWS, UNCHANGED, Outcome, Task, as_frame
from calib.workflow.alone import LOCK, alone_in
from calib.workflow.company import site_names, write_rows

VERB = {"fit": "Learning", "drift": "Looking for drift", "backtest": "Replaying"}


def run_night(
    company: Path,
    what: str,
    engine: str = "local",
    workers: int | None = None,
    weeks: int | None = None,
    progress: Progress = no_progress,
) -> SitesDocument:
    """Run ``what`` ('fit', 'drift', 'backtest') at every site; results go to ``results/`` below the company's folder.

    Raises UsageError for an engine that is not known or not installed, StoreError where another night is at work.
    """
    started = time.perf_counter()
    run = _engine(engine)
    with alone_in(company / RESULTS, LOCK, "Another night is at work"):
        tasks = [Task(str(company.resolve()), site, what, weeks) for site in site_names(company)]
        outcomes: list[Outcome] = []
        for outcome in run(tasks, workers or os.cpu_count() or 1):
            outcomes.append(outcome)
            progress(_so_far(what, outcomes, len(tasks)))
        table = as_frame(outcomes)
        write_rows(company / RESULTS / f"night-{what}" / ROWS, table)
        prior = write_prior(company) if what == "fit" else None
    progress("")
    return {
        "company": str(company),
        "what": what,
        "engine": engine,
        "sites": [cast(SiteOutcome, asdict(one)) for one in sorted(outcomes, key=lambda one: one.site)],
        "done": _count(outcomes, DONE),
        "unchanged": _count(outcomes, UNCHANGED),
        "left_out": _count(outcomes, LEFT_OUT),
        "prior": prior,
        "results": str(company / RESULTS / what),
        "seconds": round(time.perf_counter() - started, 3),
    }


def _engine(name: str) -> Callable[[Sequence[Task], int], Iterator[Outcome]]:
    if name == "local":
        from calib.sites.local import run_local

        return run_local
    if name == "spark":
        from calib.sites.spark import check_java, run_spark

        check_java()
        return run_spark
    raise UsageError(f'"{name}" is no engine that calib knows.', "Say local or spark.")


def _so_far(what: str, outcomes: Sequence[Outcome], total: int) -> str:
    left = _count(outcomes, LEFT_OUT)
    return f"{VERB[what]}: {len(outcomes)} of {total} sites{f', {left} left out' if left else ''} ..."


def _count(outcomes: Sequence[Outcome], state: str) -> int:
    return sum(one.state == state for one in outcomes)
