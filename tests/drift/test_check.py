import numpy as np
import pandas as pd
import pytest

from calib.drift.check import check_drift
from calib.errors import CalibError

START = pd.Timestamp("2026-01-05", tz="UTC")


def errors_of(stages=("washing", "printing", "packing"), runs=260, weeks=26, step=0.0, seed=1):
    """Heavy-tailed errors with forgotten timers; ``washing`` changes by ``step`` sd after week 16."""
    rng = np.random.default_rng(seed)
    frames = []
    for stage in stages:
        at = np.sort(rng.uniform(0, weeks, runs))
        z = rng.standard_t(5, runs) / np.sqrt(5 / 3) + np.where(rng.random(runs) < 0.03, 8.0, 0.0)
        z += step * (at >= 16) * (stage == "washing")
        base = rng.uniform(20, 40, runs)
        frames.append(
            pd.DataFrame({
                "process": "VPP", "stage": stage, "machine": rng.choice(["V1", "V2"], runs), "operator": "P1",
                "station": None, "material": "clear", "build_id": [f"B{i}" for i in range(runs)],
                "ended_at": START + pd.to_timedelta(at * 7, unit="D"), "baseline_min": base,
                "expected_min": base, "actual_min": base * np.exp(0.2 * z), "scale": 0.2,
            })
        )  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def stage_of(document, stage):
    return next(row for row in document["stages"] if row["stage"] == stage)


def test_a_planted_step_is_found_with_its_date_inside_the_range():
    errors = errors_of(step=1.0)
    document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=0.1)
    washing = stage_of(document, "washing")
    assert washing["state"] == "drifting"
    assert washing["since_low"] <= "2026-04-27" <= washing["since_high"]
    assert washing["change_pct_low"] < 100 * np.expm1(0.2) < washing["change_pct_high"]
    assert washing["minutes_per_build"] > 0
    assert stage_of(document, "printing")["state"] == "steady"
    assert stage_of(document, "printing")["change_pct"] is None


def test_an_accepted_change_is_no_longer_drift():
    errors = errors_of(step=1.0)
    end = errors["ended_at"].max()
    accepted = pd.DataFrame([{"process": "VPP", "stage": "washing", "accepted_at": end}])
    assert stage_of(check_drift(errors, end, accepted=accepted), "washing")["state"] == "steady"


def test_nothing_later_than_as_of_is_looked_at():
    errors = errors_of(step=3.0)
    early = check_drift(errors, START + pd.Timedelta(weeks=15))
    assert stage_of(early, "washing")["state"] == "steady"


def test_few_runs_are_said_to_be_few():
    errors = errors_of(runs=5)
    assert {row["state"] for row in check_drift(errors, errors["ended_at"].max())["stages"]} == {"too_few_runs"}


def test_persons_are_not_sliced_unless_asked():
    errors = errors_of(step=1.5).assign(operator=lambda f: np.where(f.index % 2, "P1", "P2"))
    end = errors["ended_at"].max()
    for persons in (False, True):
        by = {one["by"] for one in stage_of(check_drift(errors, end, persons=persons), "washing")["slices"]}
        assert ("operator" in by) is persons


def test_missing_columns_are_named():
    with pytest.raises(CalibError, match="lack the columns scale"):
        check_drift(errors_of().drop(columns="scale"), START)


@pytest.mark.parametrize("charts", [10, 50])
def test_false_alarms_keep_their_promise(charts):
    # independent heavy-tailed runs with 3 % forgotten timers: 40 half lab-years at 4 a year each, 80 expected if every
    # chart were at its long-run rate; the count is Poisson: not above 80 + 3 sqrt(80)
    cried = 0
    for seed in range(40):
        errors = errors_of([f"s{i}" for i in range(charts)], runs=60, seed=100 + seed)
        document = check_drift(errors, errors["ended_at"].max(), false_alarms_per_year=4.0)
        cried += sum(row["state"] == "drifting" for row in document["stages"])
    assert cried <= 80 + 3 * np.sqrt(80)


def test_events_near_the_change_stand_beside_it_those_of_other_machines_do_not():
    errors = errors_of(step=2.0)
    day = START + pd.Timedelta(weeks=16)
    events = pd.DataFrame(
        {"at": [day, day, START], "machine": ["V1", "M9", "V1"], "station": None, "what": ["lamp", "firmware", "move"],
         "note": None}
    )  # fmt: skip
    washing = stage_of(check_drift(errors, errors["ended_at"].max(), events=events), "washing")
    assert [event["what"] for event in washing["events"]] == ["lamp"]
    assert washing["hours_a_month"] > 0
