"""What to log next: the stages whose range a few more runs would narrow most."""

from __future__ import annotations

import pandas as pd

from calib.baseline.route import default_route
from calib.calibration.calibrator import Calibrator
from calib.calibration.explain import SAMPLE
from calib.documents.model import LogNext
from calib.shop.model import Shop

MORE = 5  # runs that a person might log in a week or two
LEAST = 3.0  # points of per cent; less is not worth a word
WORTH = 0.9  # a range that gets no narrower than this share of what it is is not worth a word
MOST = 3


def log_next(model: Calibrator, baselines: pd.DataFrame, errors: pd.DataFrame, shop: Shop) -> list[LogNext]:
    """Stages by the minutes that the range of a typical run would narrow, the most first; at most MOST.

    baselines : of all builds, every stage that they could have
    errors : the runs that the model has learned from
    shop : a stage of its usual routes counts before its first run too
    Returns process, stage, runs, more, by ('all', or a machine, station or material), value, now_pct, then_pct (half of
    the 80 % range) and saved_min.
    """
    stages = []
    usual_of = baselines.groupby(["process", "stage"], as_index=False)["baseline_min"].median()
    for process, stage, usual in usual_of.itertuples(index=False):
        runs = errors[(errors["process"] == process) & (errors["stage"] == stage)]
        usually_done = stage in default_route(process, "", "", True, shop)
        if (len(runs) or usually_done) and usual > 0:
            stages.append(_narrowed(model, runs, process, stage, usual))
    worth = [
        narrowed
        for narrowed in stages
        if narrowed["then_pct"] < min(WORTH * narrowed["now_pct"], narrowed["now_pct"] - LEAST)
    ]
    return sorted(worth, key=lambda narrowed: -narrowed["saved_min"])[:MOST]


def _narrowed(model: Calibrator, runs: pd.DataFrame, process: str, stage: str, usual: float) -> LogNext:
    unknown = pd.DataFrame({"process": [process], "stage": [stage], "baseline_min": [usual]})
    typical = runs.tail(SAMPLE) if len(runs) else unknown
    best = model.narrowing(typical, MORE).iloc[0]
    minutes = float(model.predict(typical, (0.5,))[0.5].median())
    saved = minutes * (best["now_pct"] - best["then_pct"]) / 100
    return {
        "process": process,
        "stage": stage,
        "runs": len(runs),
        "more": best["more"],
        "by": best["by"],
        "value": best["value"],
        "now_pct": best["now_pct"],
        "then_pct": best["then_pct"],
        "saved_min": round(saved, 1),
    }
