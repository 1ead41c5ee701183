"""Accepting a change, listing and taking back, and what the weekly run says and answers."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

from calib.cli.app import run
from calib.shop.template import shop_text
from calib.store.drift_memory import find_accepted
from calib.store.open_store import open_store

pytestmark = pytest.mark.slow
START = pd.Timestamp("2026-01-05T09:00")
BUILDS, SLOWER_FROM, SLOWER = 90, 55, 1.8


def write_logs(folder, builds=BUILDS):
    """Builds that are cured and packed; curing takes 1.8 times as long from the 56th on, packing what it always took."""
    rng = np.random.default_rng(3)
    rows, runs = ["build_id,process,machine,parts,part_volume_cm3"], ["build_id,stage,started_at,ended_at"]
    for i in range(builds):
        parts, start = int(rng.integers(1, 8)), START + pd.Timedelta(hours=40 * i)
        curing = 30 * np.exp(0.1 * rng.standard_normal()) * (SLOWER if i >= SLOWER_FROM else 1)
        packing = 12 * np.exp(0.2 * rng.standard_normal())
        rows.append(f"B{i:03d},VPP,vpp1,{parts},{20 * parts}")
        for stage, minutes in (("post_curing", curing), ("packing", packing)):
            end = start + pd.Timedelta(minutes=minutes)
            runs.append(f"B{i:03d},{stage},{start:%Y-%m-%dT%H:%M:%S},{end:%Y-%m-%dT%H:%M:%S}")
            start = end + pd.Timedelta(minutes=20)
    folder.mkdir(exist_ok=True)
    (folder / "builds.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "stages.csv").write_text("\n".join(runs) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def moved_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("moved")
    (folder / "shop.toml").write_text(shop_text("Europe/London"), encoding="utf-8")
    write_logs(folder / "logs")
    assert run(["week", str(folder / "logs"), "--shop", str(folder)]) == 0
    return folder


@pytest.fixture
def moved(moved_once, tmp_path, monkeypatch):
    """A lab whose weekly run found post curing slower; it is the current folder."""
    shutil.copytree(moved_once, tmp_path / "lab")
    monkeypatch.chdir(tmp_path / "lab")
    monkeypatch.delenv("CALIB_SHOP", raising=False)
    return tmp_path / "lab"


def curing(document):
    return next(one for one in document["stages"] if one["stage"] == "post_curing")


def history(lab):
    with open_store(lab, read_only=True) as store:
        return find_accepted(store, undone=True)


def test_a_planted_step_is_told_with_what_it_costs_and_what_quotes_assume(moved, calib, document):
    found = curing(document("drift"))
    assert found["state"] == "drifting"
    day = f"{START + pd.Timedelta(hours=40 * SLOWER_FROM):%Y-%m-%d}"
    assert found["since_low"] <= day <= found["since_high"]
    assert found["change_pct_low"] < 80 < found["change_pct_high"]
    assert found["minutes_per_build"] == pytest.approx(30 * 0.8, rel=0.25)
    assert found["hours_a_month"] > 0
    answer = calib("drift")[1]
    assert "Quotes use" in answer
    assert "No event is logged near the date" in answer
    assert calib("drift --strict")[0] == 1


def test_what_a_person_accepts_is_the_plan_from_then_on_and_can_be_taken_back(moved, calib, document):
    assert "No change was accepted yet" in calib("drift --accepted")[1]
    accepted = document("drift --accept VPP:post_curing", "--note", "longer cycle")
    assert accepted["note"] == "longer cycle"
    after = curing(document("drift --strict"))
    assert after["state"] == "steady"
    assert after["accepted_since"] == accepted["since"]
    assert "longer cycle" in calib("drift --accepted")[1]

    assert document("drift --undo VPP:post_curing")["undone"]
    assert curing(document("drift"))["state"] == "drifting"
    (kept,) = history(moved)
    assert kept["note"] == "longer cycle"
    assert kept["undone_at"] is not None


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--accept", "VPP:post_curing"], "An accepted change needs a note."),
        (["--accept", "VPP:packing", "--note", "x"], "VPP:packing does not drift, so there is nothing to accept."),
        (["--accept", "curing", "--note", "x"], '--accept "curing" does not name a stage.'),
        (["--undo", "VPP:post_curing"], "No change of VPP:post_curing is accepted."),
        (["--undo", "VPP:post_curing", "--accepted"], "--accept, --undo and --accepted cannot go together."),
        (["--note", "why"], "--note says why a change is accepted, and no --accept is given."),
    ],
)
def test_what_cannot_be_accepted_is_said_and_changes_nothing(moved, calib, words, sentence):
    status, out, err = calib("drift", *words)
    assert status == 2
    assert out == ""
    assert sentence in err
    assert history(moved) == []


def test_the_weekly_run_speaks_of_a_change_until_it_is_accepted(moved, calib):
    status, answer, _ = calib("week logs")
    assert status == 0
    assert "VPP post curing is still slower" in answer
    assert "Page: pages/week-" in answer
    assert calib("week logs --strict")[0] == 1
    calib("drift --accept VPP:post_curing", "--note", "longer cycle")
    status, answer, _ = calib("week logs --strict")
    assert (status, answer) == (0, "")
    assert list((moved / "pages").glob("week-*.html"))


def test_a_row_newly_set_aside_ends_the_quiet_once(moved, calib):
    calib("drift --accept VPP:post_curing", "--note", "longer cycle")
    (moved / "more.csv").write_text(
        "build_id,stage,started_at,ended_at\nB001,pakking,2026-01-07T08:00,2026-01-07T09:00\n"
    )
    status, answer, _ = calib("week more.csv --strict")
    assert status == 1
    assert "1 row newly set aside" in answer
    assert calib("week more.csv")[1] == ""


def test_the_page_of_persons_is_asked_for(moved, calib):
    assert calib("report --out here --persons")[0] == 0
    assert list((moved / "here").glob("week-*.html"))


def test_where_no_shop_is_the_weekly_run_leaves_nothing_behind(tmp_path, calib):
    logs = tmp_path / "logs"
    write_logs(logs, builds=1)
    assert calib(f"week {logs} --shop {tmp_path / 'nowhere'}")[0] == 2
    assert not (tmp_path / "nowhere").exists()


def test_a_cure_that_ran_over_night_is_asked_about_once_the_fit_knows_what_is_usual(tmp_path, calib, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shop.toml").write_text(shop_text("Europe/London"), encoding="utf-8")
    write_logs(tmp_path / "logs", builds=30)
    log = tmp_path / "logs" / "stages.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    place = next(i for i, line in enumerate(lines) if line.startswith("B020,post_curing"))
    build, stage, start, _ = lines[place].split(",")
    lines[place] = f"{build},{stage},{start},{pd.Timestamp(start) + pd.Timedelta(minutes=900):%Y-%m-%dT%H:%M:%S}"
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    calib("import logs")
    assert calib("review")[1] == "No row looks wrong.\n"
    (tmp_path / "new.csv").write_text("Wer,Wann\nAda,heute\n", encoding="utf-8")  # it ends the quiet
    assert "\n  calib review       answer the questions" in calib("week logs new.csv")[1]
    answer = calib("review")[1]
    assert f"stages.csv line {place + 1}: post curing of B020 lasted 15 h where " in answer
    assert "likely a wrong log: a timer that nobody stopped?" in answer
    calib("review 1 --minutes 30")
    calib("fit")
    assert calib("review")[1] == "No row looks wrong.\n"
