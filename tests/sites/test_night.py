"""A night over many sites: the same fit as each lab's own, results that are whole, and faults that stay where they are."""

from __future__ import annotations

import json
import os
import shutil
import signal
import time

import duckdb
import numpy as np
import pytest
from made_labs import write_logs

from calib.cli.app import run
from calib.errors import StoreError
from calib.shop.read_shop import read_shop
from calib.sites.local import _context, run_local
from calib.sites.task import DONE, LEFT_OUT, UNCHANGED, Outcome, Task, run_task
from calib.store.fits import find_checkpoints, find_fit
from calib.store.open_store import open_store
from calib.workflow.alone import LOCK, alone_in
from calib.workflow.backtest import backtest_shop
from calib.workflow.company import send_site
from calib.workflow.drift import find_drift
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs
from calib.workflow.report import HONESTY_WEEKS, week_data

KILLS = 200 if os.environ.get("CALIB_LONG") else 6


def states(document):
    return {one["site"]: one["state"] for one in document["sites"]}


def fit_of(folder):
    with open_store(folder, read_only=True) as con:
        return find_fit(con)[0]


def assert_same_to_the_last_bit(here, there):
    assert here.keys() == there.keys()
    for name in here:
        left, right = here[name], there[name]
        assert list(left.columns) == list(right.columns)
        for column in left:
            assert left[column].astype(object).where(left[column].notna(), None).tolist() == right[column].astype(object).where(right[column].notna(), None).tolist(), (name, column)  # fmt: skip


def test_each_site_learns_what_its_lab_learns_to_the_last_bit(learned, learned_once):
    assert states(learned_once[1]) == {"S1": DONE, "S2": DONE, "S3": DONE}
    fit_shop(learned / "lab3")
    assert_same_to_the_last_bit(fit_of(learned / "lab3"), fit_of(learned / "all" / "work" / "S3"))


@pytest.mark.slow
def test_a_site_that_keeps_a_prior_learns_and_is_replayed_with_it(learned, night, tmp_path):
    law = {"part": "location", "block": "cell", "labels": ["MEX", "printing"], "mean": 0.7}
    spread = {"part": "location", "block": "cell", "sd": 0.02, "weight": 8.0}
    (tmp_path / "prior.json").write_text(json.dumps({"format": 1, "sites": 9, "laws": [law], "spreads": [spread]}))
    lab, site = learned / "lab1", learned / "all" / "work" / "S1"
    without = backtest_shop(site, weeks=2)["interval_score"]
    fit_shop(lab, prior=str(tmp_path / "prior.json"))
    send_site(lab, learned / "all")
    assert states(night(learned / "all", "fit"))["S1"] == DONE
    assert_same_to_the_last_bit(fit_of(lab), fit_of(site))
    night(learned / "all", "backtest", weeks=2)
    [(scored,)] = duckdb.sql(
        f"SELECT interval_score FROM '{learned}/all/results/backtest/site=S1/rows.parquet'"
    ).fetchall()
    assert scored == backtest_shop(lab, weeks=2)["interval_score"] != without
    of_week = week_data(lab, read_shop(lab), find_drift(lab))["backtest"]
    assert of_week["interval_score"] == backtest_shop(lab, weeks=HONESTY_WEEKS)["interval_score"]


@pytest.mark.slow
def test_the_next_night_learns_the_new_weeks_only_and_the_same(learned, night):
    assert states(night(learned / "all", "fit")) == {"S1": UNCHANGED, "S2": UNCHANGED, "S3": UNCHANGED}
    lab = learned / "lab1"
    import_logs(lab, write_logs(lab, 1, 2, first=6))
    send_site(lab, learned / "all")
    with open_store(learned / "all" / "work" / "S1", read_only=True) as con:
        assert find_checkpoints(con)
    assert states(night(learned / "all", "fit")) == {"S1": DONE, "S2": UNCHANGED, "S3": UNCHANGED}
    fit_shop(lab)  # cold: this lab has never learned before
    assert_same_to_the_last_bit(fit_of(lab), fit_of(learned / "all" / "work" / "S1"))


def test_results_are_parquet_that_duckdb_reads(learned):
    cells = duckdb.sql(f"SELECT site, process, stage, runs FROM '{learned}/all/results/fit/*/*.parquet'").df()
    assert set(cells["site"]) == {"S1", "S2", "S3"}
    assert (cells["runs"] == 36).all()
    states = duckdb.sql(f"SELECT state FROM '{learned}/all/results/night-fit/rows.parquet'").fetchall()
    assert states == [(DONE,)] * 3


@pytest.mark.slow
def test_a_run_below_a_least_time_is_named_at_its_site(learned, night):
    lab = learned / "lab1"
    shop = (
        (lab / "shop.toml")
        .read_text("utf-8")
        .replace("# cure_floor_min = 20\n# floor_source", "cure_floor_min = 20\nfloor_source")
    )
    (lab / "shop.toml").write_text(shop, encoding="utf-8")
    log = lab / "short.csv"
    log.write_text("build_id,stage,started_at,ended_at\nR1,post_curing,2026-02-12T09:00,2026-02-12T09:05\n", "utf-8")
    (lab / "resin.csv").write_text("build_id,process,machine,parts,material\nR1,VPP,vpp1,3,resin\n", "utf-8")
    import_logs(lab, [lab / "resin.csv", log])
    send_site(lab, learned / "all", "S1")
    for what in ("fit", "drift"):
        says = {site["site"]: site["says"] for site in night(learned / "all", what)["sites"]}
        assert "build R1, post curing, lasted 5 min, below the" in says["S1"]
        assert says["S2"] == ""


@pytest.mark.slow
def test_drift_and_backtest_of_every_site(learned, night):
    assert states(night(learned / "all", "drift")) == {"S1": DONE, "S2": DONE, "S3": DONE}
    looked = duckdb.sql(f"SELECT DISTINCT state FROM '{learned}/all/results/drift/*/*.parquet'").fetchall()
    assert {state for (state,) in looked} <= {"steady", "drifting", "too_few_runs"}
    replayed = night(learned / "all", "backtest", weeks=2)
    assert states(replayed) == {"S1": DONE, "S2": DONE, "S3": DONE}
    assert all(one["runs"] > 0 for one in replayed["sites"])


def test_the_charts_of_a_night_are_those_that_its_fits_have_drawn(learned, night, monkeypatch):
    drawn = {path.parent.name: path.read_bytes() for path in (learned / "all" / "results" / "drift").glob("*/*")}
    assert set(drawn) == {"site=S1", "site=S2", "site=S3"}
    (learned / "all" / "work" / "S1" / "drift.made-of").unlink()  # a note that is lost: drawn again, the same
    looked = []
    monkeypatch.setattr("calib.sites.task.find_drift", lambda folder: looked.append(folder.name) or find_drift(folder))
    assert {one["site"]: one["runs"] for one in night(learned / "all", "drift")["sites"]} == dict.fromkeys(
        ("S1", "S2", "S3"), 144
    )
    assert looked == ["S1"]
    again = {path.parent.name: path.read_bytes() for path in (learned / "all" / "results" / "drift").glob("*/*")}
    assert again == drawn


def test_a_damaged_site_is_left_out_with_a_sentence_and_the_others_go_on(learned, night):
    before = (learned / "all" / "results" / "fit" / "site=S2" / "rows.parquet").read_bytes()
    manifest = learned / "all" / "sites" / "S2" / "manifest.json"
    manifest.write_text(manifest.read_text()[:-30])
    document = night(learned / "all", "fit")
    assert states(document) == {"S1": UNCHANGED, "S2": LEFT_OUT, "S3": UNCHANGED}
    assert "manifest.json cannot be read" in document["sites"][1]["says"]
    assert (learned / "all" / "results" / "fit" / "site=S2" / "rows.parquet").read_bytes() == before
    send_site(learned / "lab2", learned / "all")
    assert states(night(learned / "all", "fit"))["S2"] in (DONE, UNCHANGED)


@pytest.mark.slow
def test_a_result_that_cannot_be_written_is_a_sentence_and_the_next_night_heals_it(learned, night):
    place = learned / "all" / "results" / "fit" / "site=S1"
    shutil.rmtree(place)
    place.write_text("in the way")
    document = night(learned / "all", "fit")
    assert states(document) == {"S1": LEFT_OUT, "S2": UNCHANGED, "S3": UNCHANGED}
    assert "site=S1 cannot be read or written: File exists" in document["sites"][0]["says"]
    place.unlink()
    assert states(night(learned / "all", "fit")) == {"S1": DONE, "S2": UNCHANGED, "S3": UNCHANGED}


def test_two_nights_at_once_are_one_sentence(learned, night):
    with alone_in(learned / "all" / "results", LOCK, "Another night is at work"):
        with pytest.raises(StoreError, match=r"Another night is at work in .*; nothing was changed") as caught:
            night(learned / "all", "fit")
    assert caught.value.hint == "Let it end, then try again."


def killed_once(task):
    """As ``run_task``, in a process that is killed at the first try."""
    mark = task.folder.with_suffix(".tried")
    if not mark.exists():
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(task.site, DONE)


def killed_always(task):
    if task.site == "S2":
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(task.site, DONE)


def tasks_in(folder):
    return [Task(str(folder), f"S{number}", "fit") for number in (1, 2, 3)]


@pytest.mark.slow
def test_a_process_that_is_killed_is_tried_again_and_costs_no_other_site(tmp_path):
    assert {one.state for one in run_local(tasks_in(tmp_path), 2, killed_once)} == {DONE}
    ended = {one.site: one for one in run_local(tasks_in(tmp_path), 2, killed_always)}
    assert (ended["S1"].state, ended["S2"].state, ended["S3"].state) == (DONE, LEFT_OUT, DONE)
    assert "signal 9" in ended["S2"].says


@pytest.mark.slow
def test_the_command_in_processes_of_its_own(learned, capsys):
    assert run(["sites", "fit", str(learned / "all"), "--workers", "2", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["unchanged"], document["left_out"]) == (3, 0)
    assert all(one["peak_mb"] < 1000 for one in document["sites"])


def test_a_folder_without_sites_and_an_unknown_engine_are_sentences(tmp_path, capsys):
    assert run(["sites", "fit", str(tmp_path)]) == 2
    assert "holds no site" in capsys.readouterr().err
    assert run(["sites", "fit", str(tmp_path), "--engine", "steam"]) == 2
    assert '"steam" is no engine' in capsys.readouterr().err


def killed_at(task, seconds):
    """Do the task in a process of its own that is killed so many seconds on; whether it was ended by that."""
    process = _context().Process(target=run_task, args=(task,))
    process.start()
    process.join(seconds)
    process.kill()
    process.join()
    return process.exitcode == -signal.SIGKILL


@pytest.mark.slow
def test_kills_at_any_moment_leave_nothing_half_written_and_the_next_night_heals(company, learned, night):
    place, rng = company / "all", np.random.default_rng(11)
    whole = {site: (learned / "all" / "results" / "effects" / f"site={site}" / "rows.parquet") for site in ("S1", "S2")}
    rows = {site: duckdb.sql(f"FROM '{path}' ORDER BY ALL").fetchall() for site, path in whole.items()}
    killed, tries, slowest = 0, 0, 6.0
    while killed < KILLS:
        tries += 1
        assert tries < 4 * KILLS
        site = ("S1", "S2")[tries % 2]
        task = Task(str(place), site, "fit")
        began = time.perf_counter()
        if killed_at(task, float(rng.uniform(0.0, slowest))):
            killed += 1
        else:
            slowest = 0.9 * slowest + 0.1 * (time.perf_counter() - began)
            (task.folder / "fit.made-of").unlink()  # else there is nothing left to do for the next one
        for path in (place / "results").rglob("*.parquet"):
            assert path.name.startswith(".") or duckdb.sql(f"SELECT count(*) FROM '{path}'").fetchall()
    assert set(states(night(place, "fit")).values()) <= {DONE, UNCHANGED}
    for site in ("S1", "S2"):
        path = place / "results" / "effects" / f"site={site}" / "rows.parquet"
        assert duckdb.sql(f"FROM '{path}' ORDER BY ALL").fetchall() == rows[site]
