"""Whether other sites speak for this one: its own first runs, as they were expected with the priors and without."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.calibration.forward_pass import begin, joined
from calib.calibration.options import Options
from calib.calibration.rows import Rows
from calib.errors import OutsideModelError
from calib.progress import no_count

FIRST_RUNS = 100  # the most that was tried (bench/bench_sites.py: 10, 30 and 100); our choice


def as_first_runs_say(rows: Rows, options: Options) -> Options:
    """The options; without priors where the first runs were farther from what was expected with them than without.

    Each week is expected before it is learned, so that priors and none are compared by what they could have promised. How
    often that tells a site unlike the others from one like them: docs/sites.md.
    """
    if not options.priors or not rows.count:
        return options
    first, _ = rows.take(0, min(FIRST_RUNS, rows.count))
    alone = replace(options, priors=None)
    try:
        return alone if _missed_by(first, alone) < _missed_by(first, options) else options
    except (OutsideModelError, np.linalg.LinAlgError):
        return options


def _missed_by(rows: Rows, options: Options) -> float:
    """Mean distance of the runs from their expected middle [log]."""
    passing = begin(rows, options)
    passing.run(no_count)
    missed = np.abs(rows.y - joined(passing.remembered)["location"])[~rows.censored]
    return float(missed.mean()) if len(missed) else 0.0
