"""The past replayed week by week: were the ranges honest?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.calibration.backtest import replay, score
from calib.workflow.backtest_jobs import Past, backtest_jobs
from calib.workflow.fit import Logged, horizon_of, learn, read_logged, told
from calib.workflow.learning import LearningRows
from calib.workflow.parts import with_parts


def backtest_shop(
    folder: Path,
    weeks: int | None = None,
    jobs: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """The ``backtest`` document (docs/interface.md): coverage and interval score of predictions that never looked ahead.

    jobs : whether past builds and orders are scored too, each as one thing (see ``backtest_jobs``); null where not
    """
    progress("Reading builds and runs ...")
    logged = read_logged(folder)
    learned = learn(logged, horizon_of(logged, None))
    document = score(replay(learned.rows, weeks=weeks, progress=told(progress, "Replaying {} of {} stages ...")))
    scored = _jobs(folder, logged, learned, weeks, progress) if jobs else None
    progress("")
    return document | {"jobs": scored}


def _jobs(
    folder: Path, logged: Logged, learned: LearningRows, weeks: int | None, progress: Callable[[str], None]
) -> list[dict[str, Any]]:
    whole = replace(logged, builds=with_parts(folder, logged.builds, logged.shop))
    came = learned.rows.loc[~learned.rows["censored"], ["build_id", "stage", "actual_min"]]
    return backtest_jobs(Past(whole, came), weeks, told(progress, "Running {} of {} jobs through the calendar ..."))
