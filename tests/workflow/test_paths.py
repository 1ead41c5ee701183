"""A build whose machine's path lies in the shop's folder ``paths`` is reckoned by it, in plans and in logs."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from calib.baseline.path import path_time
from calib.calibration.calibrator import Calibrator
from calib.cli.app import run
from calib.geometry.read_path import read_path
from calib.shop.read_shop import read_shop
from calib.workflow.paths import with_paths

SQUARES = "G28\nM109 S210\n" + "".join(
    f"G1 Z{0.2 * layer:.1f} F600\nG1 X90 E{layer}.2 F3000\nG1 Y90 E{layer}.4\nG1 X10 E{layer}.6\nG1 Y10 E{layer}.8\n"
    for layer in range(1, 200)
)


@pytest.fixture
def lab(tmp_path):
    assert run(["init", str(tmp_path / "lab"), "--timezone", "Europe/Berlin"]) == 0
    (tmp_path / "lab" / "paths").mkdir()
    (tmp_path / "lab" / "paths" / "squares.nc").write_text(SQUARES)
    return tmp_path / "lab"


def printing(lab, path_file, capsys, process="MEX", machine="mex1"):
    plan = lab.parent / "plan.csv"
    plan.write_text(f"build_id,process,machine,parts,path_file\nB1,{process},{machine},4,{path_file}\n")
    capsys.readouterr()
    assert run(["predict", str(plan), "--shop", str(lab), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["predictions"]
    return next(row for row in rows if row["stage"] == "printing"), rows


def test_printing_stands_on_the_path_and_the_rest_on_what_else_is_known(lab, capsys):
    row, rows = printing(lab, "squares.nc", capsys)
    machine = read_shop(lab).machines["mex1"].params
    assert row["baseline_basis"] == "path"
    minutes = path_time(read_path(lab / "paths" / "squares.nc"), machine).printing_min
    assert row["baseline_min"] == pytest.approx(minutes)
    assert {other["baseline_basis"] for other in rows if other["stage"] not in ("printing", "total")} == {"count"}


def test_its_range_is_narrower_than_without_the_path(lab, capsys):
    with_path, _ = printing(lab, "squares.nc", capsys)
    without, _ = printing(lab, "other.nc", capsys)
    assert without["baseline_basis"] == "count"
    widths = [np.log(row["p90_min"] / row["p10_min"]) for row in (with_path, without)]
    assert widths[0] < 0.5 * widths[1]


@pytest.mark.parametrize("name", ["../squares.nc", "/etc/passwd", ".", "none.nc", "broken.nc", "hot.nc"])
def test_what_is_no_path_of_the_folder_leaves_the_build_as_it_is(lab, capsys, name):
    (lab / "squares.nc").write_text(SQUARES)
    (lab / "paths" / "broken.nc").write_bytes(b"\0\1\2" * 99)
    (lab / "paths" / "hot.nc").write_text("M109 S9000\nG1 X90 E1 F3000\n")
    assert printing(lab, name, capsys)[0]["baseline_basis"] == "count"


def test_a_path_says_nothing_of_another_process(lab, capsys):
    assert printing(lab, "squares.nc", capsys, "VPP", "vpp1")[0]["baseline_basis"] == "count"


def test_a_changed_path_and_a_changed_machine_are_reckoned_again(lab, capsys):
    first, _ = printing(lab, "squares.nc", capsys)
    (lab / "paths" / "squares.nc").write_text(SQUARES.replace("F3000", "F1500"))
    slower, _ = printing(lab, "squares.nc", capsys)
    assert slower["baseline_min"] > 1.5 * first["baseline_min"]
    text = (lab / "shop.toml").read_text()
    (lab / "shop.toml").write_text(text.replace("acceleration_mm_s2 = 2500", "acceleration_mm_s2 = 50"))
    assert printing(lab, "squares.nc", capsys)[0]["baseline_min"] > slower["baseline_min"]


def test_a_path_takes_the_minutes_that_its_machine_had_on_the_day(lab):
    changed = "[[machine.change]]\nsince = 2026-03-01\nacceleration_mm_s2 = 50\n"
    text = (lab / "shop.toml").read_text()
    (lab / "shop.toml").write_text(text.replace('\n[[machine]]\nid = "vpp1"', f'\n{changed}\n[[machine]]\nid = "vpp1"'))
    shop, path = read_shop(lab), read_path(lab / "paths" / "squares.nc")
    before = path_time(path, shop.machines["mex1"].params).printing_min
    after = path_time(path, {**shop.machines["mex1"].params, "acceleration_mm_s2": 50}).printing_min
    assert after > 1.3 * before
    builds = pd.DataFrame({"path_file": "squares.nc", "process": "MEX", "machine": "mex1",
                           "at": ["2026-02-28", "2026-03-01", None]})  # fmt: skip
    assert with_paths(lab, builds, shop)["path_min"].tolist() == pytest.approx([before, after, after])


def test_the_fit_learns_how_sure_each_basis_is():
    """Paths that hold within 3 % and counts that hold within 40 %, of one stage: each keeps its own width."""
    rng = np.random.default_rng(5)
    basis = np.array(["path", "count"] * 120)
    plan = rng.uniform(30, 600, len(basis))
    runs = pd.DataFrame(
        {
            "process": "MEX", "stage": "printing", "basis": basis, "baseline_min": plan, "prior_sd": 0.3,
            "actual_min": plan * np.exp(np.where(basis == "path", 0.03, 0.4) * rng.standard_normal(len(basis))),
            "ended_at": pd.date_range("2026-01-01", periods=len(basis), freq="12h"),
        }
    )  # fmt: skip
    rows = runs.head(2)[["process", "stage", "basis", "baseline_min"]].assign(baseline_min=100.0)
    ranges = Calibrator().fit(runs).predict(rows, quantiles=(0.1, 0.9))
    width = np.log(ranges[0.9] / ranges[0.1]).to_numpy()
    assert width[0] < 0.35 * width[1]
