"""The past replayed week by week: were the ranges honest?"""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from time import perf_counter

import numpy as np
import pandas as pd

from calib.calibration.backtest import replay, score
from calib.calibration.peers import compare_with_peers
from calib.documents.model import BacktestDocument, PeerScore, PeersDocument, ScoredJobs
from calib.errors import UsageError
from calib.progress import Progress, counted, no_progress
from calib.store.open_store import open_store
from calib.store.settings import save_setting
from calib.workflow.backtest_jobs import Past, backtest_jobs
from calib.workflow.fit import horizon_of, learn, read_logged
from calib.workflow.parts import with_parts
from calib.workflow.prior import kept_priors
from calib.workflow.training_rows import TrainingRows

PEERS_NAME = "peers"  # of the setting that keeps the last comparison, for the week's page
LIBRARIES = {"sklearn": "scikit-learn", "statsmodels": "statsmodels"}  # of the peers


def backtest_shop(
    folder: Path,
    weeks: int | None = None,
    jobs: bool = False,
    peers: bool = False,
    progress: Progress = no_progress,
) -> BacktestDocument:
    """The ``backtest`` document (docs/interface.md): coverage and interval score of predictions that never looked ahead.

    jobs : whether past builds and orders are scored too, each as one thing (see ``backtest_jobs``); null where not
    peers : whether other models are replayed on the same runs; null where not
    Raises UsageError where peers are asked for and their libraries are not there.
    """
    if peers:
        need_libraries()
    progress("Reading builds and runs ...")
    logged = read_logged(folder, progress)
    learned = learn(logged, horizon_of(logged, None))
    began = perf_counter()
    priors, _ = kept_priors(folder, logged.shop)
    replayed = replay(
        learned.rows,
        weeks=weeks,
        options={"priors": priors},
        progress=counted(progress, "Checking the ranges of {} of {} past runs ..."),
    )
    seconds = perf_counter() - began
    document = score(replayed)
    beside = _peers(learned.rows, replayed, seconds, progress) if peers else None
    if beside:
        with open_store(folder) as store:
            save_setting(store, PEERS_NAME, json.dumps(beside))
    scored = _jobs(folder, Past(logged, _came(learned), priors), weeks, progress) if jobs else None
    progress("")
    return document | {"jobs": scored, "peers": beside}


def need_libraries() -> None:
    """Raises UsageError where a library of the peers is missing."""
    missing = [name for module, name in LIBRARIES.items() if find_spec(module) is None]
    if missing:
        raise UsageError(
            f"Other models need {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not there.",
            "Install with: pip install 'calib[peers]'. Without --peers the rest works.",
        )


def _peers(rows: pd.DataFrame, replayed: pd.DataFrame, seconds: float, progress: Progress) -> PeersDocument | None:
    """Other models on the same runs; None where there is nothing to compare."""
    if replayed.empty:
        return None

    def tell(name: str, done: int, total: int) -> None:
        progress(f"Asking {name}: {done} of {total} weeks ...")

    found = compare_with_peers(rows, replayed, seconds, ("process", "stage"), tell)
    models = [PeerScore(name=one.name, score=round(one.score, 5), held=round(one.held, 4), seconds=round(one.seconds, 1),
                        behind_pct=round(100 * one.behind, 1), noise_pct=round(100 * one.noise, 1) if np.isfinite(one.noise) else None)
              for one in found.models]  # fmt: skip
    as_of = str(pd.Timestamp(rows["ended_at"].max()).date())
    return PeersDocument(as_of=as_of, weeks=found.weeks, weeks_between=found.weeks_between, models=models)


def _jobs(folder: Path, past: Past, weeks: int | None, progress: Progress) -> list[ScoredJobs]:
    whole = replace(past.logged, builds=with_parts(folder, past.logged.builds, past.logged.shop))
    running = counted(progress, "Running {} of {} jobs through the calendar ...")
    return backtest_jobs(replace(past, logged=whole), weeks, running)


def _came(learned: TrainingRows) -> pd.DataFrame:
    """Minutes that each stage of a build came to."""
    return learned.rows.loc[~learned.rows["censored"], ["build_id", "stage", "actual_min"]]
