"""Terms of a baseline are learned by themselves; who and where a plan leaves out is taken as usual."""

import numpy as np
import pandas as pd
import pytest

from calib.calibration.calibrator import Calibrator

LEVELS = (0.1, 0.5, 0.9)


def runs(n, seed=3, **columns):
    """Minutes that are 2.5 times one term and 0.8 times the other of a baseline."""
    rng = np.random.default_rng(seed)
    share = rng.uniform(0.05, 0.95, n)
    baseline = rng.uniform(20, 60, n)
    actual = baseline * (2.5 * share + 0.8 * (1 - share)) * np.exp(0.05 * rng.standard_normal(n))
    frame = {
        "process": "MEX", "stage": "support_removal", "baseline_min": baseline, "actual_min": actual,
        "ended_at": pd.date_range("2026-01-05", periods=n, freq="8h"), "term_0": share, "term_1": 1 - share,
    }  # fmt: skip
    return pd.DataFrame(frame | columns)


def error(model, frame):
    return np.abs(np.log(model.predict(frame, quantiles=LEVELS)[0.5] / frame["actual_min"])).mean()


def test_a_term_that_is_wrong_is_learned_by_itself():
    past, new = runs(300), runs(60, seed=4)
    without = Calibrator().fit(past.drop(columns=["term_0", "term_1"]))
    assert error(Calibrator().fit(past), new) < 0.6 * error(without, new.drop(columns=["term_0", "term_1"]))


@pytest.mark.parametrize("factor", ["operator", "station", "machine", "material"])
def test_the_only_label_of_a_cell_is_meant_where_a_plan_names_none(factor):
    past = runs(200).drop(columns=["term_0", "term_1"]).assign(**{factor: "the one"})
    other = past.assign(stage="inspection", actual_min=past["baseline_min"], **{factor: "another"})
    model = Calibrator().fit(pd.concat([past, other]))
    plan = past.head(20)
    named, unnamed = model.predict(plan, quantiles=LEVELS), model.predict(plan.drop(columns=factor), quantiles=LEVELS)
    assert unnamed[0.5].to_numpy() == pytest.approx(named[0.5].to_numpy(), rel=1e-9)
    assert unnamed[0.9].to_numpy() == pytest.approx(named[0.9].to_numpy(), rel=1e-9)


def test_a_range_is_wider_where_it_is_not_said_which_of_two_people():
    rng = np.random.default_rng(1)
    past = runs(400).drop(columns=["term_0", "term_1"]).assign(operator=rng.choice(["a", "b"], 400))
    past.loc[past["operator"] == "b", "actual_min"] *= 1.5
    model = Calibrator().fit(past)
    plan = past.head(1)
    low, middle, high = (
        model.predict(plan.drop(columns="operator"), quantiles=LEVELS)[level].iloc[0] for level in LEVELS
    )
    of_a, of_b = (model.predict(plan.assign(operator=name), quantiles=LEVELS).iloc[0] for name in ("a", "b"))
    assert of_a[0.5] < middle < of_b[0.5]
    assert high / low > 1.05 * max(of_a[0.9] / of_a[0.1], of_b[0.9] / of_b[0.1])


def test_terms_and_usage_survive_being_stored_to_the_last_bit():
    past = runs(200, operator="the one")
    model = Calibrator().fit(past)
    plan = past.head(20).drop(columns="operator")
    again = Calibrator.from_tables(model.to_tables())
    pd.testing.assert_frame_equal(again.predict(plan, LEVELS), model.predict(plan, LEVELS), check_exact=True)


def test_every_level_walks_however_many_effects_there_are():
    # effects of persons, benches and terms once filled the design before the levels came: their creep was not followed
    rng = np.random.default_rng(5)
    n = 1200
    at = pd.date_range("2026-01-05", periods=n, freq="3h")
    weeks = (at - at[0]).days / 7
    stages = np.array([f"s{i}" for i in range(8)])[np.arange(n) % 8]
    creep = np.where(stages == "s7", 0.03 * weeks, 0.0)
    past = pd.DataFrame(
        {
            "process": "MEX", "stage": stages, "baseline_min": rng.uniform(10, 40, n), "ended_at": at,
            "operator": rng.choice([f"p{i}" for i in range(30)], n), "station": rng.choice(["a", "b", "c"], n),
        }
    )  # fmt: skip
    past["actual_min"] = past["baseline_min"] * np.exp(creep + 0.15 * rng.standard_normal(n))
    model = Calibrator(most_effects=100).fit(past)
    answer = model.predict(past[past["stage"] == "s7"].tail(1), quantiles=LEVELS)[0.5].iloc[0]
    assert answer > past["baseline_min"][past["stage"] == "s7"].iloc[-1] * np.exp(0.7 * creep.max())
