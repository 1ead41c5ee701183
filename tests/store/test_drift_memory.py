"""What looks for drift leave in the store: a look repeated finds what it found, an earlier one nothing of later ones."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from calib.store.drift_memory import find_looks, save_look
from calib.store.open_store import open_store

DAYS = [datetime(2026, 6, day, 12, tzinfo=UTC) for day in (1, 8, 15)]
LIMITS = [{"quarter": "2026-04-01", "process": "VPP", "stage": "washing", "level": 2.5, "spread": 3.0,
           "false_alarms_per_year": 2.0}]  # fmt: skip
ALARM = {
    "process": "VPP", "stage": "washing", "kind": "level", "sign": 1, "signalled_at": "2026-05-28T10:00:00+00:00",
    "first_at": "2026-05-20T10:00:00+00:00", "runs": 9, "minutes": 180.0, "since": "2026-05-20",
    "since_low": "2026-05-18", "since_high": "2026-05-24", "change_pct": 20.0, "known_since": DAYS[0].isoformat(),
    "ended_at": DAYS[1].isoformat(), "ended_why": "went back",
}  # fmt: skip


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path, create=True) as con:
        save_look(con, LIMITS, [ALARM | {"ended_at": None, "ended_why": None}], DAYS[0])
        save_look(con, LIMITS, [ALARM], DAYS[1])
        yield con


@pytest.mark.parametrize(
    ("day", "looked", "ended"), [(DAYS[0], None, None), (DAYS[1], DAYS[0], None), (DAYS[2], DAYS[1], "went back")]
)
def test_a_look_goes_on_from_those_before_it_only(store, day, looked, ended):
    limits, alarms, last = find_looks(store, day)
    assert (limits, last) == (LIMITS, looked)
    assert [alarm["ended_why"] for alarm in alarms] == ([ended] if looked else [])
    if ended:
        assert alarms == [ALARM]


def test_a_look_at_earlier_logs_forgets_those_at_later_ones(store):
    save_look(store, LIMITS, [], DAYS[0])
    assert find_looks(store, DAYS[2]) == (LIMITS, [], DAYS[0])
