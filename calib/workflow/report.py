"""The week in one page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from calib.report.sentences import three_sentences
from calib.report.week import week_page
from calib.results import WEEK, Result
from calib.shop.read_shop import read_shop
from calib.workflow.drift import charts_of, find_drift
from calib.workflow.pages import check_folder
from calib.workflow.promises import find_promises
from calib.workflow.week_data import week_data


def write_report(
    folder: Path,
    out: Path,
    persons: bool = False,
    progress: Callable[[str], None] = lambda text: None,
    overwrite: bool = False,
    drift: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Write ``week-YYYY-MM-DD.html`` into ``out``; says where it is and what it says.

    persons : also say whom to ask about a change
    overwrite : whatever stands in the page's place is replaced
    drift : the document of ``find_drift``, where it is there already
    Returns page, as_of, sentences, ``drifting`` and ``erratic`` (process and stage of each), below_floor, warnings.
    """
    check_folder(out)
    if drift is None:
        progress("Looking for drift ...")
        drift = find_drift(folder, persons=persons)
    page = out / f"week-{drift['as_of']}.html"
    result = Result(page, WEEK, overwrite)
    result.check()
    progress("Writing the page ...")
    data = week_data(folder, read_shop(folder), drift, progress) | {"open_promises": find_promises(folder)}
    result.write(week_page(data))
    progress("")
    charts = charts_of(drift)
    return {
        "page": str(page),
        "as_of": drift["as_of"],
        "sentences": three_sentences(data),
        "open_promises": data["open_promises"],
        "drifting": [named(one) for one in charts if one["state"] == "drifting"],
        "erratic": [named(one) for one in charts if one["erratic"] and one["erratic"]["change_pct"] > 0],
        "below_floor": data["health"]["below_floor"],
        "warnings": drift["warnings"],
    }


def named(chart: dict[str, Any]) -> dict[str, str]:
    return {"process": chart["process"], "stage": chart["stage"]}
