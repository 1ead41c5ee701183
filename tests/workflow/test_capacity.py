"""How full the shop is, and how many pieces to start."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from calib.cli.app import run
from calib.errors import ShopFileError
from calib.report.terminal_shop import show_capacity
from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.runs import find_yields
from calib.workflow.capacity import find_capacity
from calib.workflow.pieces import piece_notes
from calib.workflow.predict import predict_plan
from calib.workflow.routes import route_of


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("full") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    return folder


@pytest.fixture
def plan(tmp_path):
    def write(builds: int, machine: str = "mex1") -> Path:
        path = tmp_path / f"plan{builds}.csv"
        rows = [f"P{n},MEX,{machine},4,pla,60,300,40,true" for n in range(builds)]
        head = "build_id,process,machine,parts,material,part_volume_cm3,part_area_cm2,height_mm,planned"
        path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        return path

    return write


def load(doc: dict, name: str) -> dict:
    return next(one for one in doc["resources"] if one["resource"] == name)


def test_twice_the_builds_run_twice_as_long_and_in_twice_the_weeks_half_of_it(lab, plan):
    one = load(find_capacity(lab, plan(3)), "mex1")["running_h"]
    assert load(find_capacity(lab, plan(6)), "mex1")["running_h"] == pytest.approx(2 * one, rel=0.1)
    # a failed attempt is found at another hour: its nights count with it
    assert load(find_capacity(lab, plan(3), weeks=2.0), "mex1")["running_h"] == pytest.approx(one / 2, rel=0.1)


def test_a_finished_build_holds_its_machine_until_somebody_comes(lab, plan):
    row = load(find_capacity(lab, plan(6)), "mex1")
    assert row["hours_used"] == pytest.approx(row["running_h"] + row["waiting_h"], abs=0.01)
    assert row["hours_used"] + row["idle_h"] == pytest.approx(168, abs=0.01)
    assert row["waiting_h"] > 3  # six builds of some hours that end at any time, nights and weekends too


def test_more_than_a_machine_can_do_is_said_and_a_second_one_gets_a_row_and_helps(lab, plan, tmp_path):
    patch, builds = tmp_path / "patch.toml", plan(45)
    block = (lab / "shop.toml").read_text(encoding="utf-8").split("\n[[machine]]")[1]
    patch.write_text("[[machine]]" + block.replace('"mex1"', '"mex2"'), encoding="utf-8")
    doc = find_capacity(lab, builds, patch=patch)
    first, second = ({"resources": doc[name]} for name in ("resources", "changed"))
    assert load(first, "mex1")["load"] > 1
    assert load(first, "mex1")["wait_h"] is None
    assert doc["bottleneck"] == "mex1"
    assert load(second, "mex1")["load"] < 0.7 * load(first, "mex1")["load"]
    assert load(second, "mex2")["load"] > 0.3 * load(first, "mex1")["load"]
    assert doc["changed_lead_time_h"] < doc["lead_time_h"] - load(first, "mex1")["sooner_h"] / 3
    assert "more than there are, so work piles up" in show_capacity(doc)


BEHIND = [f"Q{n},printing,2026-03-{2 + n:02d}T09:00,2026-03-{3 + n:02d}T05:00" for n in range(12)]
BEHIND += [f"Q{n},file_prep,2026-03-02T08:00,2026-03-02T08:10" for n in range(12)]
LEFT = ["Q0,printing,2026-02-02T08:00,2026-02-02T20:00", "Q0,unloading,2026-03-11T09:00,2026-03-11T09:10",
        "Q1,file_prep,2026-03-02T08:00,2026-03-02T08:10", "Q1,printing,2026-03-12T09:00,2026-03-13T05:00"]  # fmt: skip


@pytest.mark.parametrize(
    ("stages", "builds", "waited_h"),
    [
        (BEHIND, 7, 5 * 24),  # twelve that came on one day: the first of the week asked for waits for five before it
        (LEFT, 1, 9 * 24),  # its machine was emptied on the 11th only, of a print that began before all that is run
    ],
)
def test_builds_of_the_weeks_asked_for_do_not_come_into_an_empty_shop(tmp_path, stages, builds, waited_h):
    folder = tmp_path / "lab"
    assert run(["init", str(folder), "--timezone", "UTC"]) == 0
    rows = [f"Q{n},MEX,mex1,1,pla,1200" for n in range(12)]
    (tmp_path / "b.csv").write_text("\n".join(["build_id,process,machine,parts,material,announced_min", *rows]))
    (tmp_path / "s.csv").write_text("\n".join(["build_id,stage,started_at,ended_at", *stages]))
    assert run(["import", str(tmp_path / "b.csv"), str(tmp_path / "s.csv"), "--shop", str(folder)]) == 0
    doc = find_capacity(folder, weeks=1)
    assert doc["builds"] == builds
    assert doc["lead_time_h"] > waited_h + 20
    assert (
        load(doc, "mex1")["running_h"] < builds * 40
    )  # of those before only the hours count that others wait for them


def test_machines_that_the_shop_lacks_are_named(lab, plan):
    assert any("mex9" in text for text in find_capacity(lab, plan(2, "mex9"))["warnings"])


@pytest.mark.parametrize("patch", [None, "[[crew]]\nid = 'lab'\nsize = 3\n"])
def test_least_times_that_are_not_known_are_named_in_capacity_and_predictions(lab, tmp_path, patch):
    plan, changes = tmp_path / "plan.csv", tmp_path / "patch.toml"
    plan.write_text("build_id,process,machine,parts,material\nP1,PBF,pbf1,20,\nP2,VPP,vpp1,2,resn\n", encoding="utf-8")
    changes.write_text(patch or "", encoding="utf-8")
    answer = [
        "pa12: no least time known for cool down: see the data sheet.",
        "resn: no least time known for washing, drying and post curing: see the data sheet.",
    ]
    for doc in (predict_plan(lab, plan), find_capacity(lab, plan, patch=changes if patch else None)):
        assert sorted(text for text in doc["warnings"] if "data sheet" in text) == answer


def test_logs_that_leave_out_a_stage_with_a_floor_do_not_take_it_off_the_route(lab):
    rare, usual = ["cool_down", "washing", "powder_recovery"], ["printing", "breakout", "packing"]
    logged = pd.DataFrame(
        [
            {"process": process, "material": "", "finish": "", "stage": stage, "builds": 20, "share": share}
            for process in ("PBF", "VPP")
            for share, stages in ((0.1, rare), (1.0, usual))
            for stage in stages
        ]
    )
    shop = read_shop(lab)
    powder, resin = (route_of(process, "", "", False, shop, logged) for process in ("PBF", "VPP"))
    assert "cool_down" in powder
    assert "washing" in resin
    assert "powder_recovery" not in powder


def test_pieces_follow_the_yield_that_is_given(lab, capsys):
    capsys.readouterr()
    assert run(["pieces", "60", "--process", "MEX", "--yield", "0.98", "--shop", str(lab), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)["processes"]
    # sum of the binomial's terms: 63 pieces at 98 % give 60 good ones with 96.25 %, 62 with 87.24 %
    assert (answer[0]["start"], answer[0]["chance"]) == (63, pytest.approx(0.9625, abs=0.0001))


def test_pieces_learn_from_counted_ones(lab, tmp_path, capsys):
    builds, stages, items = (tmp_path / name for name in ("b.csv", "s.csv", "i.csv"))
    builds.write_text("build_id,process,machine,parts\nA1,MEX,mex1,50\nA2,MEX,mex1,50\nA3,VPP,vpp1,30\n")
    stages.write_text(
        "build_id,stage,started_at,ended_at,parts,parts_good\n"
        "A1,inspection,2026-03-02T09:00,2026-03-02T09:30,50,45\nA2,printing,2026-03-02T09:00,2026-03-02T12:30,,\n"
    )
    items.write_text("build_id,part_file,qty,qty_good\nA2,x.stl,50,45\nA3,x.stl,3,3\n")
    assert run(["import", str(builds), str(stages), str(items), "--shop", str(lab), "--json"]) == 0
    with open_store(lab, read_only=True) as store:
        assert find_yields(store) == {"MEX": (100, 90), "VPP": (3, 3)}
    capsys.readouterr()
    assert run(["pieces", "10", "--shop", str(lab)]) == 0
    shown = capsys.readouterr().out
    # (90 + 1/2) of (100 + 1); the binomial gives 12 pieces 87.9 %, 13 pieces 96.1 %
    assert "MEX: start 13 to have 10 good, 9 of 10 times (yield 89.6 % from 100 pieces)." in shown
    assert "VPP: good pieces are not counted yet (3 pieces)." in shown


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["pieces", "0"], "0 good pieces cannot be planned: 1 or more expected."),
        (["pieces", "5", "--sure", "1.5"], "--sure 1.5 is not a chance."),
        (["pieces", "5", "--yield", "0"], "--yield 0 is not a share."),
        (["pieces", "5", "--process", "glue"], '"glue" is not a process.'),
        (["pieces", "5", "--process", "PBF"], "Good pieces are not counted yet for PBF: fewer than 20."),
        (["capacity", "--weeks", "0"], "--weeks 0 is out of range."),
        (["capacity", "--plan", "none.csv"], "none.csv"),
        (["capacity", "--if", "none.toml", "--plan", "none.csv"], "none."),
    ],
)
def test_wrong_use_is_one_sentence(lab, capsys, words, sentence):
    capsys.readouterr()
    assert run([*words, "--shop", str(lab)]) == 2
    assert sentence in capsys.readouterr().err.strip().splitlines()[-1]


def test_a_printing_that_names_only_its_order_is_demand(tmp_path, capsys):
    folder = tmp_path / "orders"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    (folder / "logs/builds.csv").write_text(
        "build_id,process,machine,parts,part_volume_cm3,order_id\nB1,MEX,mex1,4,60,O1\n", encoding="utf-8"
    )
    (folder / "logs/stages.csv").write_text(
        "order_id,stage,started_at,ended_at\nO1,printing,2026-03-02T09:00,2026-03-02T13:00\n", encoding="utf-8"
    )
    assert run(["import", str(folder / "logs"), "--shop", str(folder)]) == 0
    capsys.readouterr()
    assert run(["capacity", "--shop", str(folder)]) == 0
    assert "what ran in the 4 weeks up to 2026-03-02" in capsys.readouterr().out.replace("\n", " ")


def test_a_shop_without_logs_has_no_demand(tmp_path, capsys):
    folder = tmp_path / "new"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    capsys.readouterr()
    assert run(["capacity", "--shop", str(folder)]) == 2
    assert "No printing is logged yet, so there is no demand. Name a plan: --plan FILE." in capsys.readouterr().err


def test_a_quote_says_what_to_start_where_more_are_needed():
    document = {"options": [{"process": "MEX"}], "quantity": 10, "sure": 0.9}
    answer = piece_notes({"MEX": (100, 90)}, document)
    assert answer == ["Start 13 to have 10 good, 9 of 10 times: 89.6 % of 100 MEX pieces were good. Dates are for 10."]
    assert piece_notes({"MEX": (10, 2), "PBF": (100, 90)}, document) == []
    assert piece_notes({"MEX": (5000, 5000)}, document) == []


def test_a_patch_that_is_not_there_is_called_a_patch(lab, plan, tmp_path):
    with pytest.raises(ShopFileError, match=r"There is no patch .*gone\.toml\. Check its name"):
        find_capacity(lab, plan(2), patch=tmp_path / "gone.toml")
