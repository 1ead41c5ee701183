"""What is read of a shop is read once, and anew after any write, also by another program; an answer is the command's to the byte."""

from __future__ import annotations

import json
import subprocess
import sys
import tracemalloc

import pandas as pd
import pytest
import trimesh

from calib.cli.app import run
from calib.quoting.remembered import Remembered
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.workflow import kept
from calib.workflow.accept import accept
from calib.workflow.fitted import UNLEARNED, find_fitted
from calib.workflow.order import QuoteAsk
from calib.workflow.queue import find_queue
from calib.workflow.quote import quote_part

NOW = pd.Timestamp("2026-08-12T14:00", tz="Europe/London")
ASK = QuoteAsk(start="2026-08-12T14:00")
LOG = "build_id,process,machine,parts,material,part_volume_cm3,height_mm,planned\n"


@pytest.fixture
def lab(tmp_path):
    folder = tmp_path / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    text = (folder / "shop.toml").read_text().replace("draws = 5000", "draws = 300")
    (folder / "shop.toml").write_text(text)
    trimesh.creation.box((40, 30, 20)).export(tmp_path / "box.stl")
    logged(folder, tmp_path, "B1")
    return folder


def logged(folder, tmp_path, *builds):
    log = tmp_path / f"{'-'.join(builds)}.csv"
    log.write_text(LOG + "".join(f"{name},VPP,vpp1,8,resin,60,50,true\n" for name in builds))
    calib("import", log, "--shop", folder)


def calib(*words):
    """Another program on the same shop."""
    done = subprocess.run([sys.executable, "-m", "calib", *map(str, words)], capture_output=True, text=True, check=True)
    return done.stdout


def names(folder):
    return [build.build_id for build in find_queue(folder, read_shop(folder), find_fitted(folder), NOW)]


def unopened(monkeypatch):
    def opened(*_args, **_more):
        raise AssertionError("the store was opened")

    for room in ("queue", "fitted", "parts"):
        monkeypatch.setattr(f"calib.workflow.{room}.open_store", opened)


def test_the_store_is_read_once(lab, monkeypatch):
    assert names(lab) == ["B1"]
    unopened(monkeypatch)
    assert names(lab) == ["B1"]


def test_a_write_of_another_program_is_seen(lab, tmp_path):
    assert names(lab) == ["B1"]
    logged(lab, tmp_path, "B2")
    assert names(lab) == ["B1", "B2"]


def test_a_write_of_this_program_is_seen(lab):
    assert names(lab) == ["B1"]
    with open_store(lab) as store:
        store.execute("DELETE FROM build")
    assert names(lab) == []


def test_a_look_leaves_what_was_read_and_a_promise_does_not(lab, tmp_path, monkeypatch):
    quote_part(lab, tmp_path / "box.stl", 2, ASK)
    given = quote_part(lab, tmp_path / "box.stl", 3, ASK)
    with monkeypatch.context() as closed:
        unopened(closed)
        assert names(lab) == ["B1"]
    accept(lab, given["quote_id"], "MEX")
    assert names(lab) == ["B1", f"{given['quote_id']}-1"]


def test_a_look_at_a_part_that_waits_has_its_builds_read_again(lab, tmp_path):
    accept(lab, quote_part(lab, tmp_path / "box.stl", 2, ASK)["quote_id"], "MEX")
    names(lab)
    shop = kept._SHOPS[lab.resolve()]
    waiting = {what for what in shop.answers if what[0] == "waiting"}
    assert waiting
    quote_part(lab, tmp_path / "box.stl", 5, ASK)
    assert waiting.isdisjoint(shop.answers)


def test_another_part_in_the_shops_folder_is_seen(lab, monkeypatch):
    assert names(lab) == ["B1"]
    (lab / "parts").mkdir(exist_ok=True)
    trimesh.creation.box((4, 3, 2)).export(lab / "parts" / "new.stl")
    read = []
    monkeypatch.setattr("calib.workflow.queue._read", lambda *args: read.append(args) or pytest.fail("read anew"))
    with pytest.raises(pytest.fail.Exception):
        names(lab)
    assert len(read) == 1


def test_a_warm_answer_is_the_commands_to_the_byte(lab, tmp_path):
    for _ in range(2):
        for quantity in (7, 2):
            warm = json.loads(json.dumps(quote_part(lab, tmp_path / "box.stl", quantity, ASK)))
            told = calib(
                "quote", tmp_path / "box.stl", "--qty", quantity, "--start", ASK.start, "--shop", lab, "--json"
            )
            cold = json.loads(told)
            assert {**warm, "quote_id": ""} == {name: "" if name == "quote_id" else cold[name] for name in warm}


def test_a_remembered_calibrator_gives_the_same_numbers_and_may_be_changed():
    rows = pd.DataFrame(
        {"process": "VPP", "stage": ["washing", "printing"], "baseline_min": [9.0, 90.0], "prior_sd": 0.4}
    )
    remembered = Remembered(UNLEARNED.model)
    first = remembered.draws(rows, 50, 3)
    expected = first.copy()
    first += 1.0
    assert (remembered.draws(rows, 50, 3) == expected).all()
    assert (UNLEARNED.model.draws(rows, 50, 3) == expected).all()
    assert not (remembered.draws(rows, 50, 4) == expected).all()
    other = rows.assign(baseline_min=[8.0, 80.0])
    both = remembered.draws_each([other, rows, other], 50, [3, 3, 3])
    assert (both[1] == expected).all()
    assert (both[0] == both[2]).all()
    assert both[0] == pytest.approx(UNLEARNED.model.draws(other, 50, 3), rel=1e-9)
    asked = remembered.predict(rows, (0.1, 0.9))
    pd.testing.assert_frame_equal(asked, UNLEARNED.model.predict(rows, quantiles=(0.1, 0.9)))
    pd.testing.assert_frame_equal(remembered.predict(rows, (0.1, 0.9)), asked)
    changed = rows.assign(baseline_min=[9.0, 91.0])
    assert not remembered.predict(changed, (0.5,)).equals(remembered.predict(rows, (0.5,)))


def test_what_small_frames_hold_is_counted(monkeypatch):
    """Measured by tracemalloc: a frame of a few numbers holds twenty times what it says of itself."""
    most = 1_000_000
    monkeypatch.setattr("calib.quoting.remembered.MOST_BYTES", most)

    class Small:
        def predict(self, rows, quantiles):
            return pd.DataFrame({level: [1.0] for level in quantiles})

    remembered = Remembered(Small())
    rows = pd.DataFrame({"process": ["VPP"], "baseline_min": [9.0]})
    tracemalloc.start()
    try:
        for number in range(2000):
            remembered.predict(rows.assign(baseline_min=[float(number)]), (0.1, 0.5))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 1.5 * most
