"""A person's change is not shown from fewer than ten runs."""

from __future__ import annotations

import numpy as np

from calib.drift.slices import slice_of


def shown(by, runs):
    values = np.where(np.arange(40) < 20, 0.0, 0.5)
    here = np.zeros(40, bool)
    here[20 - runs // 2 : 20 + runs - runs // 2] = True
    return slice_of(by, "P1", here, values, np.full(40, 0.1), np.ones(40), 20) is not None


def test_a_person_needs_ten_runs_and_a_machine_does_not():
    assert [shown("operator", runs) for runs in (8, 9, 10, 11)] == [False, False, True, True]
    assert [shown("machine", runs) for runs in (6, 8, 9)] == [False, True, True]
