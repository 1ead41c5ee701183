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
    typical: dict[tuple[str, str], pd.DataFrame] = {}
    counts: dict[tuple[str, str], int] = {}
    usual_of = baselines.groupby(["process", "stage"], as_index=False)["baseline_min"].median()
    for process, stage, usual in usual_of.itertuples(index=False):
        runs = errors[(errors["process"] == process) & (errors["stage"] == stage)]
        usually_done = stage in default_route(process, "", "", True, shop)
        if (len(runs) or usually_done) and usual > 0:
            unknown = pd.DataFrame({"process": [process], "stage": [stage], "baseline_min": [usual]})
            counts[process, stage] = len(runs)
            typical[process, stage] = runs.tail(SAMPLE) if len(runs) else unknown
    stages = _narrowed(model, typical, counts)
    worth = [
        narrowed
        for narrowed in stages
        if narrowed["then_pct"] < min(WORTH * narrowed["now_pct"], narrowed["now_pct"] - LEAST)
    ]
    return sorted(worth, key=lambda narrowed: -narrowed["saved_min"])[:MOST]


def _narrowed(
    model: Calibrator, typical: dict[tuple[str, str], pd.DataFrame], counts: dict[tuple[str, str], int]
) -> list[LogNext]:
    """What the best MORE runs would do to the range of each stage; the minutes of all stages are predicted at once."""
    if not typical:
        return []
    rows = pd.concat(typical.values(), ignore_index=True)
    minutes = model.predict_quantiles(rows, (0.5,))[0.5].groupby([rows["process"], rows["stage"]]).median()
    stages: list[LogNext] = []
    for (process, stage), narrowed in zip(typical, model.narrowing_each(list(typical.values()), MORE), strict=True):
        best = narrowed.iloc[0]
        saved = float(minutes[process, stage]) * (best["now_pct"] - best["then_pct"]) / 100
        stages.append(
            {
                "process": process,
                "stage": stage,
                "runs": counts[process, stage],
                "more": best["more"],
                "by": best["by"],
                "value": best["value"],
                "now_pct": best["now_pct"],
                "then_pct": best["then_pct"],
                "saved_min": round(saved, 1),
            }
        )
    return stages
