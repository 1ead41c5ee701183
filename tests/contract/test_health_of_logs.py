"""What the summary says of the logs themselves: when each machine logged last, and which is silent longer than usual."""

from __future__ import annotations

from datetime import date, timedelta

BUILDS = "build_id,process,machine,parts\n"
RUNS = "build_id,stage,started_at,ended_at\n"


def daily(machine, process, days, every=1):
    """Builds and printing runs of a machine, one each ``every`` days from 5 January 2026."""
    builds, runs = "", ""
    for number in range(0, days, every):
        day = date(2026, 1, 5) + timedelta(days=number)
        builds += f"{machine}-{number},{process},{machine},1\n"
        runs += f"{machine}-{number},printing,{day}T08:00,{day}T12:00\n"
    return builds, runs


def take(lab, *logged):
    return lab.take(BUILDS + "".join(builds for builds, _ in logged), RUNS + "".join(runs for _, runs in logged))


def test_a_machine_that_stops_logging_is_silent_and_every_machine_has_its_last_day(lab):
    document = take(lab, daily("mex1", "MEX", 40), daily("vpp1", "VPP", 20))
    assert document["silent_machines"] == [{"machine": "vpp1", "last": "2026-01-24"}]
    assert document["last_logs"] == [
        {"machine": "mex1", "last": "2026-02-13"},
        {"machine": "vpp1", "last": "2026-01-24"},
    ]
    assert "vpp1 silent since 24 Jan 2026" in lab.call("import", str(lab.folder.parent / "log1.csv"))[1]


def test_a_machine_that_prints_every_other_week_is_not_silent_after_one(lab):
    assert take(lab, daily("mex1", "MEX", 160), daily("pbf1", "PBF", 150, every=14))["silent_machines"] == []


def test_a_machine_of_few_logs_is_never_called_silent(lab):
    assert take(lab, daily("mex1", "MEX", 40), daily("vpp1", "VPP", 4))["silent_machines"] == []
