"""A part through the commands: measured, asked about, and laid on the side that was asked for."""

import json

import numpy as np
import pytest
from solids_for_tests import box, stl_bytes, united

from calib.cli.app import run
from calib.shop.template import shop_text


@pytest.fixture
def calib(tmp_path, capsys, monkeypatch):
    """Run a command in a folder with a shop and some parts: status and what it printed."""
    (tmp_path / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    beam = united(box(10, 10, 30), box(30, 10, 5, (0, 0, 25)))
    parts = {"beam": beam, "small": box(0.8, 0.6, 0.5), "open": box(10, 10, 10)[:-6], "flat": box(10, 10, 0)}
    for name, triangles in parts.items():
        (tmp_path / f"{name}.stl").write_bytes(stl_bytes(triangles))
    monkeypatch.chdir(tmp_path)

    def call(*words):
        capsys.readouterr()
        status = run(list(words))
        printed = capsys.readouterr()
        return status, printed.out + printed.err

    return call


def test_a_part_is_measured_as_it_lies(calib):
    status, answer = calib("measure", "beam.stl", "--layers", "5")
    assert status == 0
    assert "Size 30.0 × 10.0 × 30.0 mm, volume 4 cm³" in answer
    assert "5 cm³ of space under it, 2 cm² touched" in answer  # the arm: 20 x 10 x 25 mm
    assert "6 layers: height of the cut, section, perimeter." in answer
    assert len([line for line in answer.splitlines() if line.startswith("   ")]) == 6


def test_the_document_has_the_keys_of_the_interface(calib):
    status, answer = calib("measure", "beam.stl", "--layers", "5", "--json")
    document = json.loads(answer)
    assert status == 0
    assert set(document) >= {"volume_cm3", "area_cm2", "bounds_mm", "watertight", "bodies", "layers"}
    assert [layer["z_mm"] for layer in document["layers"]] == pytest.approx([2.5, 7.5, 12.5, 17.5, 22.5, 27.5])
    assert sum(layer["area_mm2"] for layer in document["layers"]) * 5 == pytest.approx(4000.0)


@pytest.mark.parametrize(
    ("name", "text"),
    [(".", ". is a folder. Name one file in it."), ("none.stl", "none.stl does not exist"),
     ("shop.toml", "shop.toml is not a kind of part file that is read here. These are read: 3MF, OBJ, PLY, STEP, STL")],
)  # fmt: skip
def test_what_is_no_part_is_named(calib, name, text):
    status, answer = calib("measure", name)
    assert (status, text in answer) == (2, True)


def test_an_open_surface_is_measured_with_a_warning_and_no_volume(calib):
    status, answer = calib("measure", "open.stl", "--json")
    document = json.loads(answer)
    assert (status, document["watertight"], document["volume_cm3"]) == (0, False, None)
    assert "it has no volume" in document["warnings"][0]


@pytest.mark.parametrize("command", [("quote", "small.stl", "--qty", "2"), ("compare", "small.stl", "--qty", "1,2")])
def test_an_absurd_size_is_asked_about_before_anything_is_reckoned(calib, command):
    status, answer = calib(*command)
    assert status == 2
    assert (
        "as mm the part is 0.8 x 0.6 x 0.5 mm, no side over 5 mm. Its numbers may be inch: then say --unit inch."
        in answer
    )


@pytest.mark.slow
def test_the_pose_is_shown_and_can_be_fixed(calib):
    asked = ("quote", "beam.stl", "--qty", "2", "--process", "MEX", "--start", "2026-01-05T08:00", "--json")
    free, fixed = (json.loads(calib(*asked, *more)[1])["options"][0] for more in ((), ("--pose", "z-")))
    assert free["poses"][0]["support_cm3"] < 0.1  # turned over, the arm lies on the plate
    lying = fixed["poses"][0]
    assert (lying["lies"], lying["fixed"]) == ("as it lies in the file", True)
    assert lying["size_mm"] == pytest.approx([30, 10, 30])
    assert lying["support_cm3"] == pytest.approx(5.0, rel=1e-6)
    held = {term["name"] for term in fixed["terms"] if term["stage"] == "printing"}
    assert "supports" in held
    assert np.isfinite(fixed["work_min"]["p50"])
    assert calib(*asked, "--pose", "up")[0] == 2
