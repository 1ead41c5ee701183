"""Starting from what an earlier fit knew gives what a cold fit gives, to the last bit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from labs import lab, plan

from calib.calibration import checkpoints, forward_pass
from calib.calibration.backtest import replay
from calib.calibration.calibrator import Calibrator
from calib.calibration.checkpoints import Checkpoints

WEEKS = 14


@pytest.fixture
def learned(monkeypatch):
    """Numbers of the weeks that are learned from now on."""
    found, update = [], forward_pass.WeeklyPass.update

    def noted(self, number, *rest):
        found.append(number)
        return update(self, number, *rest)

    monkeypatch.setattr(forward_pass.WeeklyPass, "update", noted)
    return found


def runs() -> pd.DataFrame:
    made = lab(280, weeks=WEEKS)
    late = made["ended_at"] > made["ended_at"].iloc[-1] - pd.Timedelta(weeks=3)
    return made.assign(machine=np.where(late & (made["machine"] == "A"), "new", made["machine"]))


def alike(one: Calibrator, other: Calibrator) -> bool:
    tables, others = one.to_tables(), other.to_tables()
    rows = pd.concat([plan(machine="A", build_id="x"), plan(machine="new", operator="bo", stage="sanding")])
    return (
        all(tables[name].equals(others[name]) for name in tables)
        and one.errors_.equals(other.errors_)
        and one.predict(rows, (0.1, 0.5, 0.9)).equals(other.predict(rows, (0.1, 0.5, 0.9)))
    )


@pytest.fixture(scope="module")
def cold():
    """A fit of all runs, and the arrays of what it kept."""
    kept = Checkpoints()
    return Calibrator().fit(runs(), checkpoints=kept), kept.to_arrays()


@pytest.mark.parametrize("cut", [150, 260])
def test_incremental_and_cold_agree_to_the_last_bit(cut, cold, learned):
    kept = Checkpoints()
    Calibrator().fit(runs().iloc[:cut], checkpoints=kept)
    learned.clear()
    warm = Calibrator().fit(runs(), checkpoints=Checkpoints.from_arrays(kept.to_arrays()))
    assert len(learned) < WEEKS
    assert alike(warm, cold[0])


def test_a_correction_of_an_old_run_restarts_before_its_week(cold, learned):
    every = runs()
    week = ((every["ended_at"] - pd.Timestamp("1970-01-05", tz="UTC")).dt.days // 7).to_numpy()
    for at in (275, 5):
        changed = every.copy()
        changed.loc[at, "actual_min"] *= 1.2
        learned.clear()
        warm = Calibrator().fit(changed, checkpoints=Checkpoints.from_arrays(cold[1]))
        assert min(learned) <= week[at]
        assert len(learned) < WEEKS if at == 275 else min(learned) == week[0]
        assert alike(warm, Calibrator().fit(changed))


def test_another_model_does_not_use_them(cold, learned):
    Calibrator(window=3).fit(runs(), checkpoints=Checkpoints.from_arrays(cold[1]))
    assert len(learned) == WEEKS


def test_incomplete_ones_and_those_of_another_version_are_not_used(cold, learned, monkeypatch):
    arrays = cold[1]
    missing = {name: array for name, array in arrays.items() if name != "0_0"}
    monkeypatch.setattr(checkpoints, "model_digest", lambda: "of another version")
    for found in (missing, arrays):
        learned.clear()
        Calibrator().fit(runs(), checkpoints=Checkpoints.from_arrays(found))
        assert len(learned) == WEEKS


def test_a_replay_from_a_checkpoint_agrees_to_the_last_bit(monkeypatch, cold, learned):
    monkeypatch.setattr(checkpoints, "EVERY", 4)
    kept = Checkpoints()
    Calibrator().fit(runs(), checkpoints=kept)
    whole = replay(runs(), weeks=6)
    learned.clear()
    assert replay(runs(), weeks=6, checkpoints=kept).equals(whole)
    assert len(learned) < WEEKS
    corrected = runs().assign(actual_min=lambda rows: rows["actual_min"].where(rows.index > 3, 50.0))
    assert replay(corrected, weeks=6, checkpoints=kept).equals(replay(corrected, weeks=6))
