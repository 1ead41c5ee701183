"""The past replayed week by week: were the ranges honest?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from calib.calibration.replay import replay, score
from calib.workflow.fit import horizon_of, learn, read_logged, told


def backtest_shop(
    folder: Path, weeks: int | None = None, progress: Callable[[str], None] = lambda text: None
) -> dict[str, Any]:
    """The contract's ``backtest`` document: coverage and interval score of predictions that never looked ahead."""
    progress("Reading builds and runs ...")
    logged = read_logged(folder)
    learned = learn(logged, horizon_of(logged, None))
    document = score(replay(learned.rows, weeks=weeks, progress=told(progress, "Replaying {} of {} stages ...")))
    progress("")
    return document
