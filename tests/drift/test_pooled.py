"""Runs of two stages or processes at one station, or in one material, are charted together."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.report.stage_sentences import name_of
from calib.workflow.drift import stage_named

SLOWED = pd.Timestamp("2026-01-05", tz="UTC") + pd.Timedelta(weeks=16)


@pytest.fixture
def two(make_errors):
    """Blasting and sanding of two processes with four runs a week each, a third of them at cab-1."""
    errors = make_errors(stages=("blasting", "sanding", "packing", "inspection"), runs=104, seed=6)
    rng = np.random.default_rng(1)
    return errors.assign(
        process=np.where(errors["stage"].isin(["blasting", "packing"]), "PBF", "MEX"),
        station=rng.choice(["cab-1", "cab-2", "cab-3"], len(errors)),
        material=rng.choice(["white", "grey"], len(errors)),
    )


@pytest.mark.parametrize(
    ("by", "value", "name"),
    [("station", "cab-1", "everything at station cab-1"), ("material", "grey", "everything in grey")],
)
def test_what_is_slower_at_one_place_in_every_process_is_named(two, by, value, name):
    there = (two[by] == value) & (two["ended_at"] >= SLOWED)
    errors = two.assign(actual_min=two["actual_min"] * np.where(there, 1.3, 1.0))
    pools = {(row["process"], row["stage"]): row for row in check_drift(errors, errors["ended_at"].max())["pooled"]}
    assert [key for key, row in pools.items() if row["state"] == "drifting" and key[0] == by] == [(by, value)]
    found = pools[by, value]
    assert found["change_pct_low"] < 30 < found["change_pct_high"]
    assert found["since_low"] <= str(SLOWED.date()) <= found["since_high"]
    assert found["of"] == ["MEX:inspection", "MEX:sanding", "PBF:blasting", "PBF:packing"]
    assert name_of(found) == name


def test_a_place_of_one_stage_or_of_few_runs_is_not_charted_again(two):
    one_stage = two.assign(station=two["stage"], material=None)
    seldom = two.assign(station=np.where(np.arange(len(two)) % 20 == 0, "cab-4", None), material=None)
    for errors in (one_stage, seldom):
        assert check_drift(errors, errors["ended_at"].max())["pooled"] == []


def test_one_slow_stage_is_not_everything_at_its_place(two):
    there = (two["stage"] == "blasting") & (two["ended_at"] >= SLOWED)
    errors = two.assign(actual_min=two["actual_min"] * np.where(there, 1.8, 1.0))
    document = check_drift(errors, errors["ended_at"].max())
    assert [row["stage"] for row in document["stages"] if row["state"] == "drifting"] == ["blasting"]
    assert {row["state"] for row in document["pooled"]} == {"steady"}
    assert any("PBF:blasting alone" in cause for row in document["pooled"] for cause in row["causes"])


@pytest.mark.parametrize(
    ("text", "named"),
    [("station:cab 1", ("station", "cab 1")), ("Material:white", ("material", "white")), ("station cab-1", ("station", "cab-1")),
     ("vpp post curing", ("VPP", "post_curing")), ("VPP:post_curing", ("VPP", "post_curing"))],
)  # fmt: skip
def test_places_are_named_as_stages_are(text, named):
    assert stage_named(text, "--accept") == named
