"""What earlier looks left: limits set once a quarter, and alarms, which stay known until they have ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from calib.documents.drift import AlarmRow, DriftDocument, LimitRow
from calib.drift.chart import Alarm
from calib.drift.series import Series, days

MENDED = "mended"
EARLY = pd.Timestamp("1970-01-01", tz="UTC")
MINUTE = 1 / 1440  # [days]


@dataclass(frozen=True)
class Kept:
    """limits, alarms : rows as the document's; looked : last logged end of the last look"""

    limits: Sequence[LimitRow] = ()
    alarms: Sequence[AlarmRow] = ()
    looked: pd.Timestamp = EARLY

    def after(self, document: DriftDocument) -> Kept:
        """What the next look knows after this one."""
        return Kept(document["limits"], document["alarms"], pd.Timestamp(document["looked"]))


@dataclass
class Known:
    """One alarm of a chart, and what was reported of it: a row of the document's ``alarms``."""

    alarm: Alarm
    row: AlarmRow

    @property
    def standing(self) -> bool:
        return self.row["ended_at"] is None


def recall(chart: Series, kept: Kept, kind: str, until: float) -> tuple[list[Known], list[Known], int]:
    """Alarms of a chart that earlier looks found, those whose logs were corrected since, and the first run not yet looked at.

    until : alarms up to this day were accepted and are left out
    The chart is looked at again from a corrected alarm on; those after it rest on it and are found anew too.
    """
    here = (chart.process, chart.stage, kind)
    rows = [r for r in kept.alarms if (r["process"], r["stage"], r["kind"]) == here and r["ended_why"] != MENDED]
    known = [Known(alarm_at(chart, row), row.copy()) for row in sorted(rows, key=lambda row: row["signalled_at"])]
    known = [entry for entry in known if chart.at[entry.alarm.run] > until]
    whole = next((i for i, entry in enumerate(known) if corrected(chart, entry)), len(known))
    looked = known[whole].alarm.first if whole < len(known) else run_at(chart, kept.looked + pd.Timedelta(seconds=1))
    return known[:whole], known[whole:], looked


def alarm_at(chart: Series, row: AlarmRow) -> Alarm:
    run, first = (min(run_at(chart, moment), len(chart.at) - 1) for moment in (row["signalled_at"], row["first_at"]))
    return Alarm(run, first, row["sign"])


def run_at(chart: Series, moment: Any) -> int:
    """The first run that ended at a moment or after it."""
    return int(np.searchsorted(chart.at, days(pd.Series([pd.Timestamp(moment)]))[0] - MINUTE / 100))


def corrected(chart: Series, known: Known) -> bool:
    """Are the runs of an alarm other ones than when it was found: corrected, taken back, or come late?"""
    if not known.standing or days(pd.Series([pd.Timestamp(known.row["first_at"])]))[0] < chart.at[0] - MINUTE:
        return False
    runs, minutes = behind(chart, known.alarm)
    return bool(runs != known.row["runs"] or abs(minutes - known.row["minutes"]) > 0.01)


def behind(chart: Series, alarm: Alarm) -> tuple[int, float]:
    """Number and minutes of the runs from the change to the alarm."""
    minutes = chart.rows["actual_min"].to_numpy(float)[alarm.first : alarm.run + 1]
    return len(minutes), float(minutes.sum())


def new_row(chart: Series, kind: str, alarm: Alarm) -> AlarmRow:
    runs, minutes = behind(chart, alarm)
    signalled_at, first_at = (chart.rows["ended_at"].iloc[run].isoformat() for run in (alarm.run, alarm.first))
    return {
        "process": chart.process, "stage": chart.stage, "kind": kind, "sign": alarm.sign, "signalled_at": signalled_at,
        "first_at": first_at, "runs": runs, "minutes": minutes, "since": None, "since_low": None, "since_high": None,
        "change_pct": None, "known_since": None, "ended_at": None, "ended_why": None,
    }  # fmt: skip


def known_again(
    chart: Series, kind: str, alarms: list[Alarm], known: list[Known], doubtful: list[Known]
) -> tuple[list[Known], list[Known]]:
    """The alarms found with what was reported of them, and those of corrected logs that none of them overlaps."""
    again, gone = list(known), list(doubtful)
    for alarm in alarms[len(known) :]:
        row = new_row(chart, kind, alarm)
        same = next((entry for entry in gone if overlap(entry.alarm, alarm)), None)
        if same:
            gone.remove(same)
            row = {
                **same.row, "signalled_at": row["signalled_at"], "first_at": row["first_at"], "runs": row["runs"],
                "minutes": row["minutes"],
            }  # fmt: skip
        again.append(Known(alarm, row))
    return again, gone


def overlap(alarm: Alarm, other: Alarm) -> bool:
    return alarm.sign == other.sign and alarm.first <= other.run and other.first <= alarm.run


def end(some: Sequence[Known], as_of: pd.Timestamp, why: str) -> None:
    for known in some:
        if known.standing:
            known.row["ended_at"], known.row["ended_why"] = as_of.isoformat(), why
