"""The invented lab through the whole of calib: what was planted is found again, what was not is not."""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
from collections import Counter
from contextlib import suppress
from datetime import date
from pathlib import Path

import pytest
from doc_pages import play

from calib.cli.app import _call, run
from calib.locate import shipped_folder

sys.path.append(str(Path(__file__).parent / "report"))
from browser import CHROMIUM, LEAST_LINES, lines_of_pages, printed

pytestmark = pytest.mark.slow
TRUTH = json.loads((shipped_folder("demo_logs") / "truth.json").read_text(encoding="utf-8"))
COUNTS = ("rows_new", "rows_corrected", "rows_repeated", "rows_quarantined", "rows_held")


def total(document: dict, name: str) -> int:
    return sum(file[name] for file in document["files"])


@pytest.fixture(scope="module")
def lab(tmp_path_factory) -> Path:
    from calib.workflow.demo import make_lab

    folder = tmp_path_factory.mktemp("lab") / "shop"
    make_lab(folder)
    return folder


@pytest.fixture(scope="module")
def imported(lab) -> dict:
    from calib.workflow.import_logs import import_logs

    return import_logs(lab, [lab / "logs"])


@pytest.fixture(scope="module")
def fitted(lab, imported) -> dict:
    from calib.workflow.fit import fit_shop

    return fit_shop(lab)


@pytest.fixture(scope="module")
def drift(lab, fitted) -> dict:
    from calib.workflow.drift import find_drift

    return find_drift(lab)


def test_a_drift_is_status_0_and_1_with_strict(lab, drift, capsys):
    assert any(stage["state"] == "drifting" for stage in drift["stages"])
    assert run(["drift", "--shop", str(lab)]) == 0
    assert run(["drift", "--strict", "--shop", str(lab)]) == 1


def test_every_row_is_one_of_five(imported):
    assert all(file["rows_read"] == sum(file[name] for name in COUNTS) for file in imported["files"])


def test_troubles_are_counted_as_planted(imported):
    assert total(imported, "rows_quarantined") == len(TRUTH["set_aside"])
    assert total(imported, "rows_held") == len(TRUTH["held_rows"])
    assert total(imported, "rows_repeated") == TRUTH["repeated_file"]["rows"]
    assert total(imported, "rows_corrected") == TRUTH["corrections"]


def test_a_second_import_finds_nothing_new(lab, imported):
    from calib.workflow.import_logs import import_logs

    again = import_logs(lab, [lab / "logs"])
    assert total(again, "rows_new") == total(again, "rows_corrected") == 0


def test_fit_names_the_hurried_curing(fitted):
    found = {(row["build_id"], row["stage"]) for row in fitted["below_floor"]}
    assert (TRUTH["below_floor"]["build_id"], "post_curing") in found


def test_the_step_is_found_with_its_date_and_size(drift):
    stage = next(s for s in drift["stages"] if (s["process"], s["stage"]) == ("VPP", TRUTH["step"]["stage"]))
    assert stage["state"] == "drifting"
    assert stage["since_low"] <= TRUTH["step"]["date"] <= stage["since_high"]
    assert stage["change_pct_low"] <= TRUTH["step"]["per_cent"] <= stage["change_pct_high"]


def test_the_creep_is_found_with_its_date_and_size(drift):
    stage = next(s for s in drift["stages"] if (s["process"], s["stage"]) == ("PBF", TRUTH["creep"]["stage"]))
    began = TRUTH["creep"]["date"]
    weeks = (date.fromisoformat(drift["as_of"]) - date.fromisoformat(began)).days / 7
    assert (stage["state"], stage["shape"]) == ("drifting", "creep")
    assert stage["since_low"] <= began <= stage["since_high"]
    assert (
        stage["change_pct_low"] <= 100 * math.expm1(weeks * TRUTH["creep"]["log_per_week"]) <= stage["change_pct_high"]
    )


def test_steady_stages_raise_nothing(drift):
    planted = {("VPP", TRUTH["step"]["stage"]), ("PBF", TRUTH["creep"]["stage"])}
    charts = drift["stages"] + drift["together"]
    assert {(s["process"], s["stage"]) for s in charts if s["state"] == "drifting" or s["erratic"]} == planted


def test_plan_is_predicted_in_full(lab, fitted):
    from calib.workflow.predict import predict_plan

    document = predict_plan(lab, lab / "plan.csv")
    rows = document["predictions"]
    assert document["rows_set_aside"] == []
    assert sum(row["stage"] == "total" for row in rows) == 200
    assert all(row["p10_min"] <= row["p50_min"] <= row["p90_min"] for row in rows)


def logged_hours(folder, weeks):
    """Mean hours from a build's first start to its last end, for each process."""
    from calib.shop.read_shop import read_shop
    from calib.store.open_store import open_store
    from calib.store.runs import find_runs
    from calib.workflow.capacity import logged_demand
    from calib.workflow.training_rows import runs_by_build

    builds = logged_demand(folder, read_shop(folder), weeks).of_the_weeks
    with open_store(folder, read_only=True) as store:
        runs = find_runs(store)
    shares = runs_by_build(builds, runs[runs["ended_at"].notna() & (runs["stage"] != "powder_recovery")])
    spans = shares.groupby("build_id").agg(begin=("started_at", "min"), end=("ended_at", "max"))
    hours = (spans["end"] - spans["begin"]).dt.total_seconds() / 3600
    return hours.groupby(builds.set_index("build_id")["process"]).mean()


def test_builds_turn_round_as_their_logs_say(lab, fitted):
    from calib.workflow.what_if import what_if_weeks

    # six weeks of builds, released when they were, with nothing of their own course but that; learned on the same logs
    found = what_if_weeks(lab, '[[machine]]\nid = "bed-1"\nchambers = 2\n', weeks=6)
    logged = logged_hours(lab, 6)
    for one in found["by_process"]:
        usual = one["turnaround_h"]["today"]["p50"]
        assert usual == pytest.approx(logged[one["process"]], rel=0.15), one["process"]
        assert one["chance_later"] < 0.05
    assert found["builds"] > 60
    assert {row["resource"] for row in found["resources"]["today"]} >= {"bed-1", "resin-1", "ext-1", "lab"}


@pytest.mark.parametrize("page", ["tutorial.md", "quote.md", "drift.md"])
def test_examples_of_the_pages_run_in_this_lab(lab, fitted, tmp_path, monkeypatch, page):
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    shop = shutil.copytree(lab, tmp_path / "river-lab") / "shop.toml"
    shop.write_text(shop.read_text("utf-8").replace("[quoting]\n", "[quoting]\ndraws = 300\n"), encoding="utf-8")
    play(page, tmp_path)


def test_the_week_counts_builds_and_held_ranges_as_capacity_and_backtest_do(lab, drift):
    from calib.shop.read_shop import read_shop
    from calib.workflow.backtest import backtest_shop
    from calib.workflow.capacity import find_capacity
    from calib.workflow.report import HONESTY_WEEKS, RECENT_WEEKS, week_data

    week = week_data(lab, read_shop(lab), drift)
    capacity = find_capacity(lab, weeks=RECENT_WEEKS)
    assert week["time_goes"]["printed"] == capacity["builds"]
    first = capacity["resources"][0]
    assert {name: week["time_goes"]["bottleneck"][name] for name in ("resource", "load", "sooner_h")} == {
        name: first[name] for name in ("resource", "load", "sooner_h")
    }
    backtest = backtest_shop(lab, weeks=HONESTY_WEEKS)
    assert week["backtest"]["coverage"] == backtest["coverage"]
    assert week["backtest"]["predictions"] == backtest["predictions"]


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the page was not printed")
def test_the_week_prints_on_two_pages_and_the_last_holds_more_than_a_line(lab, drift, tmp_path):
    from calib.report.week import week_page
    from calib.shop.read_shop import read_shop
    from calib.workflow.report import week_data

    lines = lines_of_pages(printed(tmp_path, week_page(week_data(lab, read_shop(lab), drift))))
    assert len(lines) == 2
    assert min(lines) >= LEAST_LINES


PART, START = "parts/sensor_bracket.stl", "2026-11-23T08:00"
COMMANDS = (
    f"quote {PART} --qty 10 --start {START}",
    f"quote {PART} --qty 10 --start {START} --due 2026-11-27 --all",
    f"quote {PART} --qty 10 --start {START} --stages",
    f"compare {PART} --qty 1,5,20 --start {START}",
    "predict plan.csv",
    f"measure {PART}",
    "import logs --dry-run",
    "map logs/2026-05-bench.csv",
    "fit",
    "report --out pages --overwrite",
    "why PBF blasting",
    "backtest --weeks 1",
    *("drift", "capacity", "promises", "quotes", "review --all", "set-aside", "pieces 10", "check"),
)


def words(text: str) -> Counter[str]:
    """Words and values, without rules, bars and dots: those are drawn to the width that there is."""
    return Counter(word for word in text.split() if word.strip("─#.:"))


@pytest.mark.parametrize("command", COMMANDS)
def test_no_output_is_wider_than_its_terminal_and_none_cuts_a_value_or_a_word(lab, drift, monkeypatch, command):
    monkeypatch.chdir(lab)
    answer = _call(command.split())
    texts = {}
    for columns in (76, 120, 200):
        monkeypatch.setenv("COLUMNS", str(columns))
        texts[columns] = answer.as_text()
        assert max(map(len, texts[columns].splitlines())) <= columns
        assert "…" not in texts[columns]
    if "quote" not in command:  # its calendar names days, half days or weeks, as there is room
        assert words(texts[76]) == words(texts[120]) == words(texts[200])


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_a_pseudo_terminal_is_asked_how_wide_it_is(lab, drift):
    import fcntl
    import pty
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 76, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", "why", "PBF", "blasting", "--shop", str(lab)],
        stdin=subprocess.DEVNULL, stdout=theirs, stderr=subprocess.DEVNULL, env=environment,
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    with suppress(OSError):  # what a read of a terminal says that nobody writes to any more
        while part := os.read(ours, 65536):
            shown += part
    os.close(ours)
    assert process.wait() == 0
    lines = shown.decode().splitlines()
    assert 60 < max(map(len, lines)) <= 76
