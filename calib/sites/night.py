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
from calib.results import PART
from calib.sites.prior_file import write_prior
from calib.sites.task import DONE, LEFT_OUT, RESULTS, ROWS, UNCHANGED, WORK, Outcome, Task, as_frame
from calib.workflow.alone import LOCK, alone_in
from calib.workflow.company import SITES, site_names, write_rows

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
    names = known_sites(company)
    with alone_in(company / RESULTS, LOCK, "Another night is at work"):
        _sweep(company)
        tasks = [Task(str(company.resolve()), site, what, weeks) for site in names]
        outcomes: list[Outcome] = []
        for outcome in run(tasks, workers or os.cpu_count() or 1):
            outcomes.append(outcome)
            progress(_so_far(what, outcomes, len(tasks)))
        prior = write_prior(company) if what == "fit" else None
        write_rows(company / RESULTS / f"night-{what}" / ROWS, as_frame(outcomes))
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


def known_sites(company: Path) -> list[str]:
    """Every site that has sent something or was learned from: one whose manifest is gone is named too, not passed over.

    Raises UsageError where nobody has sent anything.
    """
    places = (company / SITES, company / WORK)
    return sorted({*site_names(company), *(path.name for place in places for path in place.glob("*/"))})


def _sweep(company: Path) -> None:
    """What a night that was killed was writing."""
    for left in (path for place in (RESULTS, WORK) for path in (company / place).rglob(f".*{PART}")):
        left.unlink(missing_ok=True)


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
