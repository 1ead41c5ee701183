"""Failed builds and stages done again: learned, drawn, and in every range with what they cost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import PRIOR_REDO, Failures
from calib.quoting.common_random_numbers import MOST_ATTEMPTS, CommonRandomNumbers
from calib.quoting.document import quote
from calib.quoting.learned import Learned
from calib.workflow.side_models import redo_rows


class Often(Failures):
    """Builds fail, or stages are done again, with these chances."""

    def __init__(self, build: float = 0.0, stage: float = 0.0) -> None:
        super().__init__()
        self.build, self.stage = build, stage

    def chance_of(self, row):
        return self.build

    def redo(self, process, stage):
        return self.stage


def test_redo_is_learned_for_each_stage_and_falls_back():
    stages = pd.DataFrame({"process": "VPP", "stage": ["washing"] * 200 + ["sanding"] * 50,
                           "redone": [True] * 40 + [False] * 210})  # fmt: skip
    made = Failures().fit(pd.DataFrame({"process": ["VPP"], "failed": [False]}), stages)
    again = Failures.from_table(made.to_table())
    assert made.redo("VPP", "washing") == pytest.approx(0.2, abs=0.02)
    assert made.redo("VPP", "sanding") < 0.05
    assert made.redo("VPP", "packing") == pytest.approx(made.redo("VPP", ""))
    assert made.redo("MEX", "washing") == pytest.approx(PRIOR_REDO)
    assert again.redo("VPP", "washing") == made.redo("VPP", "washing")


def test_a_further_attempt_in_the_logs_is_a_stage_done_again():
    end = pd.Timestamp("2026-03-02T10:00", tz="UTC")
    builds = pd.DataFrame({"build_id": ["b1", "b2"], "process": "VPP", "order_id": [None, None], "parts": [3, 3]})
    runs = pd.DataFrame({
        "run_key": list("abcdef"), "build_ids": [["b1"], ["b1"], ["b2"], ["b1"], ["b1"], ["b2"]], "order_id": None,
        "stage": ["washing", "washing", "washing", "printing", "printing", "washing+drying"],
        "attempt": [1, 2, None, 1, 2, 2], "work_min": 10.0, "low_min": None, "touch_min": 1.0,
        "ended_at": [end, end, end, end, end, end + pd.Timedelta(days=9)],
    })  # fmt: skip
    rows = redo_rows(builds, runs, end)
    assert rows.to_dict("records") == [
        {"process": "VPP", "stage": "washing", "redone": True},
        {"process": "VPP", "stage": "washing", "redone": False},
    ]


@pytest.mark.parametrize("chance", [0.1, 0.4])
def test_how_often_a_stage_is_done_again_is_geometric(chance):
    # mean of further times p / (1 - p), less what is cut after MOST_ATTEMPTS: p^(m + 1) / (1 - p)
    random_numbers = CommonRandomNumbers(Learned(Calibrator(prior_only=True), None, Often(stage=chance)), 100_000, 1)
    random_numbers._mix["VPP"] = ({"washing": 0}, np.ones((1, 1)), np.ones((1, 1)))
    minutes = np.ones(random_numbers.draws)
    random_numbers.again("VPP", "build 1", "washing", minutes)
    expected = (chance - chance ** (MOST_ATTEMPTS + 1)) / (1 - chance)
    assert minutes.mean() - 1 == pytest.approx(expected, abs=0.01)
    assert (minutes >= 3).mean() == pytest.approx(chance**2, abs=0.005)


def test_failures_are_in_every_range(box, shop, request_for, certain, plain_physics):
    priced = replace(shop, currency="EUR", costs={**shop.costs, "person_per_h": 40.0})
    never, builds, stages = (
        quote(request_for(60, processes=("MEX",)), priced, [box], Learned(certain, None, failures), draws=400)[
            "options"
        ][0]
        for failures in (Often(), Often(build=0.3), Often(stage=0.3))
    )
    for often in (builds, stages):
        for name in ("work_min", "touch_min", "lead_time_h", "cost"):
            assert often[name]["p90"] > never[name]["p90"]
            assert often[name]["p10"] >= never[name]["p10"] - 1e-6
    assert "fails and is done again" in " ".join(builds["warnings"])


def test_no_cost_is_told_where_a_currency_but_no_rate_is_stated(box, shop, request_for, certain, plain_physics):
    unpriced = replace(shop, currency="EUR", costs={})
    for costs, answer in (({}, False), ({"person_per_h": 40.0}, True)):
        found = quote(
            request_for(1, processes=("MEX",)), replace(unpriced, costs=costs), [box], Learned(certain), draws=20
        )
        assert (found["options"][0]["cost"] is not None) == answer


def test_a_failed_build_costs_what_its_attempt_took(box, always_open, request_for, certain, plain_physics):
    # setting up, warming up, cooling wholly, unloading and cleaning 6 min each, and 2 to 100 % of the printing (70 min), each time
    found = quote(request_for(1, processes=("MEX",)), always_open, [box], Learned(certain, None, Often(build=0.999)),
                  draws=400)["options"][0]  # fmt: skip
    none = quote(request_for(1, processes=("MEX",)), always_open, [box], Learned(certain), draws=20)["options"][0]
    more = found["work_min"]["p50"] - none["work_min"]["p50"]
    assert more == pytest.approx(MOST_ATTEMPTS * (5 * 6 + 0.51 * 70), rel=0.05)
