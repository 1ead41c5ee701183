"""Which stage gives most of a range's width."""

from __future__ import annotations

from typing import Any

import numpy as np

from calib.quoting.work import Work


def width_by_cause(work: Work, ready: np.ndarray, most: int = 3) -> list[dict[str, Any]]:
    """Stages, waits and failures by how much of the finished date's variation goes with them.

    share : squared rank correlation of the cause's minutes with the date, draw by draw [0..1]; not additive
    """
    stages = work.steps.stage
    causes = {stage: work.minutes[stages == stage].sum(axis=0) for stage in work.route}
    causes["waiting"] = np.sum([wait for job in work.jobs for wait in job.waits.values()] or [np.zeros(len(ready))], 0)
    failed = [job.failed_at.sum(axis=0) for job in work.jobs if job.failed_at is not None]
    causes["failed builds"] = np.sum(failed or [np.zeros(len(ready))], axis=0)
    runs = {stage: work.steps.runs_behind[stages == stage].min() for stage in work.route}
    shares = {cause: _rank_correlation(minutes, ready) ** 2 for cause, minutes in causes.items()}
    ordered = sorted(shares, key=lambda cause: -shares[cause])[:most]
    return [
        {"cause": cause, "share": round(shares[cause], 3), "runs_behind": int(runs[cause]) if cause in runs else None}
        for cause in ordered
    ]


def _rank_correlation(first: np.ndarray, second: np.ndarray) -> float:
    """Spearman's, ties in order of the draws."""
    if np.ptp(first) == 0 or np.ptp(second) == 0:
        return 0.0
    return float(np.corrcoef(first.argsort().argsort(), second.argsort().argsort())[0, 1])
