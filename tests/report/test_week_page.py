"""The weekly page as text, and as a browser sees it."""

import json
import re
import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest

from calib.report.week import week_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def chart(runs=60, since=None):
    at = pd.date_range("2026-03-02", periods=runs, freq="2D", tz="UTC")
    wave = 10 * np.sin(np.arange(runs))
    return {
        "at": [one.isoformat() for one in at], "build_id": [f"B{i}" for i in range(runs)],
        "actual_min": [30.0] * runs, "actual_pct": wave.tolist(), "expected_pct": [0.0] * runs,
        "low_pct": [-12.0] * runs, "high_pct": [12.0] * runs, "since": since,
    }  # fmt: skip


def stage(name, state="steady", **more):
    empty = dict.fromkeys(("since", "change_pct", "change_pct_low", "change_pct_high", "minutes_per_build"))
    return {"process": "VPP", "stage": name, "runs": 60, "state": state, "slices": [], "chart": chart()} | empty | more


def words(page):
    """The page with plain spaces."""
    return page.replace("\N{NO-BREAK SPACE}", " ")


def data():
    slices = [
        {"by": "station", "value": "bath <1>", "runs": 20, "change_pct": 30.0, "change_pct_low": 20.0,
         "change_pct_high": 41.0, "share": 0.9}
    ]  # fmt: skip
    moved = stage(
        "post_curing", "drifting", since="2026-05-04", change_pct=24.0, change_pct_low=17.0, change_pct_high=31.0,
        minutes_per_build=8.0, slices=slices, chart=chart(since="2026-05-04"),
    )  # fmt: skip
    cell = {"process": "VPP", "stage": "washing", "predictions": 40, "coverage": {"80": 0.6}, "interval_score": 0.5}
    return {
        "shop": "Gauge & Float", "drift": {
            "as_of": "2026-06-29", "false_alarms_per_year": 2.0,
            "stages": [moved, stage("washing"), stage("a_stage_with_a_very_long_name_indeed", "too_few_runs", runs=3)],
        },
        "backtest": {"weeks": 9, "predictions": 400, "coverage": {"80": 0.79}, "cells": [cell]},
        "time_goes": {
            "rows": [{"process": "VPP", "touch_min": 600.0, "machine_min": 2400.0, "wait_min": 1500.0, "builds": 9}],
            "bottleneck": {"resource": "V1", "kind": "machine", "load": 0.8},
        },
        "health": {"silent_machines": [{"machine": "V2", "last": "2026-06-01"}], "quarantined": 2},
    }  # fmt: skip


def test_the_page_says_what_moved_from_the_numbers():
    page = words(week_page(data()))
    assert "VPP post curing takes 24 % longer since about 4 May 2026: +8 min a build" in page
    assert "too narrow" in page
    assert "V2 has logged nothing since 1 Jun 2026." in page
    assert "Too few runs to tell: a stage with a very long name indeed (3 runs)." in page
    assert "Where from: <strong>cannot tell</strong>." in page


def test_a_stage_that_became_erratic_is_named_beside_what_moved():
    wide = {"since": "2026-05-04", "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0}
    drift = {"as_of": "2026-06-29", "false_alarms_per_year": 2.0, "stages": [stage("washing", erratic=wide)]}
    assert "VPP washing: more erratic since about 4 May 2026" in words(week_page({"drift": drift}))


def test_text_from_logs_is_escaped():
    page = week_page(data())
    assert "bath &lt;1&gt;" in page
    assert "Gauge &amp; Float" in page
    assert "bath <1>" not in page


def test_nothing_is_fetched_and_no_word_needs_a_script():
    page = week_page(data())
    assert page.count("<script>") == page.count("<script") == 1
    body = page[: page.index("<script>")]
    assert "V2 has logged nothing" in body
    assert "<footer>" in body
    addresses = set(re.findall(r"""(?:src|href)="([^"#]*)""", page)) | set(re.findall(r"url\(([^)#]+)\)", page))
    assert addresses <= {"data:,", ""}


def test_an_empty_week_is_a_page_too():
    assert "Drift was not checked" in week_page({"as_of": "2026-06-29"})


MEASURE = """<script>addEventListener("load", () => {
  const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  document.title = "measured " + JSON.stringify({overflow: wide,
    requests: performance.getEntriesByType("resource").filter(e => !e.name.startsWith("data:")).length});
});</script>"""


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the page was not looked at in a browser")
@pytest.mark.parametrize("width", [390, 794, 1280], ids=["phone", "A4", "laptop"])
def test_a_browser_shows_it_without_error_request_or_overflow(tmp_path, width):
    page = tmp_path / "page.html"
    page.write_text(week_page(data()), encoding="utf-8")
    # a window narrower than some 500 px is not given by a headless browser: the page is put into a frame of that width
    framed = page.read_text(encoding="utf-8").replace("</head>", MEASURE + "</head>")
    (tmp_path / "measured.html").write_text(framed, encoding="utf-8")
    outer = tmp_path / "outer.html"
    outer.write_text(
        f'<iframe id="f" src="measured.html" style="width:{width}px;height:900px;border:0"></iframe>'
        '<script>addEventListener("load", () => setTimeout(() => {'
        'document.title = document.getElementById("f").contentDocument.title}, 300));</script>',
        encoding="utf-8",
    )
    words = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
        "--disable-component-update --disable-sync --allow-file-access-from-files --enable-logging=stderr "
        "--virtual-time-budget=3000 --window-size=1400,1000 --dump-dom"
    )
    ran = subprocess.run(
        [CHROMIUM, *words.split(), f"--user-data-dir={tmp_path / 'profile'}", outer.as_uri()],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    told = re.search(r"<title>measured (\{.*?\})</title>", ran.stdout)
    assert told, ran.stdout[-500:]
    assert json.loads(told[1]) == {"overflow": 0, "requests": 0}
    assert "CONSOLE" not in ran.stderr
