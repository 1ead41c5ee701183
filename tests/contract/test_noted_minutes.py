"""Minutes that somebody noted with a day, or a week and a weekday, instead of times."""

from __future__ import annotations

import pytest

BUILDS = "build_id,process,machine,parts\nB1,VPP,vpp1,3\n"
COLUMNS = 'kind = "stages"\n[columns]\nbuild_id = "Job"\nstage = "Work"\nwork_min = "Took"\ndate = {date}\n'
REST = '[units]\nwork_min = "words"\n[formats]\ndate = "{form}"\n'


@pytest.mark.parametrize(
    ("head", "cells", "date", "form"),
    [
        ("Day", "13.01.2026", '"Day"', "%d.%m.%Y"),
        ("Week;Day", "2026-W03;Tuesday", '["Week", "Day"]', "%G-W%V %A"),
        ("Year;Week;Day", "2026;3;Tue", '["Year", "Week", "Day"]', "%G %V %a"),
    ],
)
def test_45_min_on_tuesday(lab, fates, head, cells, date, form):
    lab.take(BUILDS)
    mapping = lab.write(COLUMNS.format(date=date) + REST.format(form=form), "map.toml")
    log = lab.write(f"Job;Work;Took;{head}\nB1;sanding;45 min;{cells}\n")
    assert fates(lab.take(log, options=["--map", str(mapping)])) == (1, 0, 0, 0, 0)
    assert lab.rows("SELECT date::VARCHAR, work_min, started_at FROM stage_run") == [("2026-01-13", 45, None)]


def test_minutes_without_any_day_are_set_aside_with_what_is_needed(lab, fates):
    document = lab.take(BUILDS, "build_id,stage,work_min\nB1,sanding,45\n")
    assert fates(document, 1) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"] == (
        "is empty: a run needs started_at (and ended_at once it has ended), or date and work_min"
    )
