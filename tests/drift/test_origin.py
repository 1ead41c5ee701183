import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.drift.slices import mix_cause

START = pd.Timestamp("2026-01-05", tz="UTC")
WEEK = pd.Timedelta(weeks=1)


def washing_of(errors, find_stage, **options):
    return find_stage(check_drift(errors, errors["ended_at"].max(), **options), "washing")


def late(errors):
    return (errors["stage"] == "washing") & (errors["ended_at"] >= START + 16 * WEEK)


@pytest.mark.parametrize(("step", "where"), [(1.5, "the whole stage"), (0.0, "machine V2")])
def test_one_machine_is_told_from_the_whole_stage(make_errors, find_stage, step, where):
    errors = make_errors(step=step)
    if not step:
        errors.loc[late(errors) & (errors["machine"] == "V2"), "actual_min"] *= np.exp(0.5)
    washing = washing_of(errors, find_stage)
    assert (washing["state"], washing["where"]) == ("drifting", where)
    if not step:
        assert washing["slices"][0]["value"] == "V2"
        assert washing["slices"][0]["share"] > 0.7


def test_what_cannot_be_told_is_said(make_errors, find_stage):
    # one machine's runs are rare and moved by half as much: neither 'all' nor 'the other alone' fits clearly better
    errors = make_errors(step=1.2)
    errors["machine"] = np.where(np.arange(len(errors)) % 12 == 0, "V2", "V1")
    errors.loc[late(errors) & (errors["machine"] == "V2"), "actual_min"] *= np.exp(-0.16)
    washing = washing_of(errors, find_stage)
    assert washing["state"] == "drifting"
    assert washing["where"] is None
    assert 0 < washing["where_chance"] < 0.8


def test_persons_are_compared_only_when_asked_and_never_ranked(make_errors, find_stage):
    errors = make_errors(step=1.5).assign(operator=lambda f: np.array(["P3", "P1", "P2"])[np.arange(len(f)) % 3])
    for persons in (False, True):
        slices = washing_of(errors, find_stage, persons=persons)["slices"]
        names = [one["value"] for one in slices if one["by"] == "operator"]
        assert names == (["P1", "P2", "P3"] if persons else [])
        assert all(one["ask"] for one in slices if one["by"] == "operator")


def test_a_new_mix_of_parts_is_a_cause_and_no_drift(make_errors, find_stage):
    # a material that is slow and that the model has not learned: since week 16 nearly all runs are of it
    errors = make_errors(seed=4)
    rng = np.random.default_rng(2)
    errors["material"] = np.where(rng.random(len(errors)) < np.where(late(errors), 0.85, 0.2), "tough", "clear")
    errors.loc[(errors["stage"] == "washing") & (errors["material"] == "tough"), "actual_min"] *= np.exp(0.4)
    washing = washing_of(errors, find_stage)
    assert washing["state"] == "steady"
    assert any("mix of parts" in cause and "tough" in cause for cause in washing["causes"])


def test_the_same_mix_with_a_true_step_drifts(make_errors, find_stage):
    errors = make_errors(step=1.5)
    errors["material"] = np.where(np.arange(len(errors)) % 2, "tough", "clear")
    washing = washing_of(errors, find_stage)
    assert (washing["state"], washing["causes"]) == ("drifting", [])


@pytest.mark.parametrize("run", [30, 60])
def test_runs_that_are_all_of_one_size_have_no_mix_that_could_change(run):
    # were they told apart by their order in time, a step after a third of them would be a new mix
    noise = 0.1 * np.random.default_rng(3).standard_normal(90)
    step = np.where(np.arange(90) >= run, 0.4, 0.0)
    rows = pd.DataFrame({"baseline_min": 30.0, "material": "clear"}, index=range(90))
    assert mix_cause(rows, noise + step, np.full(90, 0.1), run, 0.4) is None
