"""A build that names a part whose mesh lies in the shop's folder has the exact profile behind it."""

import json
import shutil

import pytest

from calib.cli.app import run
from calib.locate import shipped_folder
from calib.workflow.fit import read_logged

PARTS = shipped_folder("demo_logs") / "parts"
PLAN = "build_id,process,machine,parts,part_file\nB1,MEX,ext-1,4,{name}\nB2,PBF,bed-1,40,{name}\n"


@pytest.fixture
def lab(tmp_path):
    assert run(["init", str(tmp_path / "lab"), "--timezone", "Europe/Berlin"]) == 0
    (tmp_path / "lab" / "parts").mkdir(exist_ok=True)
    return tmp_path / "lab"


def basis(lab, name, capsys):
    """Basis of the printing of each planned build."""
    plan = lab.parent / "plan.csv"
    plan.write_text(PLAN.format(name=name), encoding="utf-8")
    capsys.readouterr()
    assert run(["predict", str(plan), "--shop", str(lab), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["predictions"]
    return {row["build_id"]: (row["baseline_basis"], row["baseline_min"]) for row in rows if row["stage"] == "printing"}


def test_a_mesh_in_the_shops_folder_is_measured_for_each_process(lab, capsys):
    assert {kind for kind, _ in basis(lab, "cable_clip.stl", capsys).values()} == {"count"}
    shutil.copy(PARTS / "cable_clip.stl", lab / "parts")
    assert {kind for kind, _ in basis(lab, "cable_clip.stl", capsys).values()} == {"profile"}


def test_reading_logged_builds_says_what_it_measures(lab):
    log = lab.parent / "builds.csv"
    log.write_text(PLAN.format(name="cable_clip.stl"), encoding="utf-8")
    assert run(["import", str(log), "--shop", str(lab)]) == 0
    shutil.copy(PARTS / "cable_clip.stl", lab / "parts")
    said = list[str]()
    assert read_logged(lab, said.append).measured["profile"].notna().all()
    assert said == ["Measuring cable_clip.stl ..."]


def test_a_changed_mesh_is_measured_again(lab, capsys):
    shutil.copy(PARTS / "cable_clip.stl", lab / "parts" / "part.stl")
    small = basis(lab, "part.stl", capsys)
    shutil.copy(PARTS / "float_housing.stl", lab / "parts" / "part.stl")
    assert basis(lab, "part.stl", capsys)["B1"][1] > 1.5 * small["B1"][1]


def test_a_path_in_a_log_reads_nothing_outside_the_folder(lab, capsys):
    shutil.copy(PARTS / "cable_clip.stl", lab / "outside.stl")
    assert {kind for kind, _ in basis(lab, "../outside.stl", capsys).values()} == {"count"}
    assert {kind for kind, _ in basis(lab, str(lab / "outside.stl"), capsys).values()} == {"count"}


def test_a_mesh_that_cannot_be_read_is_as_if_it_were_not_there(lab, capsys):
    (lab / "parts" / "broken.stl").write_bytes(b"no mesh at all")
    assert {kind for kind, _ in basis(lab, "broken.stl", capsys).values()} == {"count"}


def test_a_quoted_part_is_known_when_a_log_names_it(lab, capsys):
    part = lab.parent / "elsewhere" / "cable_clip.stl"
    part.parent.mkdir()
    shutil.copy(PARTS / "cable_clip.stl", part)
    assert run(["quote", str(part), "--shop", str(lab), "--qty", "2"]) == 0
    assert {kind for kind, _ in basis(lab, "cable_clip.stl", capsys).values()} == {"profile"}
