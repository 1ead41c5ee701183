"""Pose, builds and nesting are one decision for the quantity asked."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.errors import NoPlanError
from calib.geometry.read_mesh import read_mesh
from calib.quoting.document import quote
from calib.quoting.learned import Learned
from calib.quoting.nesting import build_capacity, nested, room_mm
from calib.shop.keys import machine_defaults
from calib.shop.model import Machine


@pytest.fixture
def part(tmp_path):
    def made(x, y, z):
        trimesh.creation.box((x, y, z)).export(tmp_path / "part.stl")
        return read_mesh(tmp_path / "part.stl")

    return made


def quoted(mesh, shop, request, calibrator):
    found = quote(request, shop, [mesh], Learned(calibrator, Waits(), Failures()), draws=300)
    return {one["process"]: one for one in found["options"] if "+" not in one["machine"]}


def test_one_plate_lies_flat_and_two_hundred_stand_on_edge(part, shop, request_for, certain):
    plate = part(90, 90, 3)
    one, many = (quoted(plate, shop, request_for(quantity), certain) for quantity in (1, 200))
    flat = quoted(replace(plate, down="z-"), shop, request_for(200), certain)
    for process in ("MEX", "VPP"):
        assert one[process]["poses"][0]["size_mm"][2] == pytest.approx(3.0)
        assert many[process]["poses"][0]["size_mm"][2] == pytest.approx(90.0)
        assert many[process]["builds"] < flat[process]["builds"] / 5
        assert many[process]["lead_time_h"]["p50"] < 0.6 * flat[process]["lead_time_h"]["p50"]
        assert flat[process]["poses"][0]["fixed"]


@pytest.mark.parametrize("quantity", [25, *(pytest.param(q, marks=pytest.mark.slow) for q in (3, 120))])
def test_no_fixed_side_is_promised_sooner_than_the_pose_that_is_chosen(part, shop, request_for, certain, quantity):
    mesh = part(70, 45, 12)
    free = quoted(mesh, shop, request_for(quantity), certain)
    for down in ("z-", "x-", "y-"):
        for process, option in quoted(replace(mesh, down=down), shop, request_for(quantity), certain).items():
            assert free[process]["promised_at"] <= option["promised_at"]


def test_a_bar_that_fits_askew_is_built_askew_and_margins_are_kept(part, shop, request_for, certain):
    bar, extruder = part(215, 20, 10), shop.machines["mex1"]
    asked = request_for(1, processes=("MEX",))
    x, y, _ = quoted(bar, shop, asked, certain)["MEX"]["poses"][0]["size_mm"]
    assert max(x, y) <= 222 - 2 * extruder.params["margin_mm"]
    wide = replace(extruder, params={**extruder.params, "margin_mm": 60.0}, build_mm=(220.0, 220.0, 100.0))
    with pytest.raises(NoPlanError, match="too large: 215 x 20 x 10 mm in no pose inside 220 x 220 x 100 mm less its"):
        quoted(bar, replace(shop, machines={"mex1": wide}), asked, certain)


@dataclass(frozen=True)
class Box:
    size_mm: tuple[float, float, float]
    volume_cm3: float
    rafted: bool


KINDS = {"extruder": "MEX", "masked": "VPP", "laser_bed": "PBF"}
SIDES = st.tuples(*[st.floats(3, 90)] * 3)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(list(KINDS)), SIDES, st.floats(0.05, 1), st.booleans(), st.floats(0.05, 0.5))
def test_a_full_build_is_as_high_as_the_machine_allows_and_one_copy_more_is_not(kind, size, share, rafted, limit):
    params = {**machine_defaults(kind), "cake_fill_limit": limit}
    machine = Machine("m", KINDS[kind], kind, (150.0, 130.0, 160.0), (), params)
    box = Box(size, share * float(np.prod(size)) / 1000, rafted and kind != "laser_bed")
    most, room = build_capacity(machine, box), room_mm(machine)
    if most == 0:
        return
    nest = nested(machine, [(box, most)])
    assert size[2] <= nest.height_mm <= room[2] + 1e-6
    assert most * size[0] * size[1] * (size[2] if kind == "laser_bed" else nest.height_mm) <= np.prod(room) + 1e-6
    if kind != "laser_bed":
        assert nest.height_mm == pytest.approx(size[2] + (params["raft_mm"] if box.rafted else 0))
        assert nest.cake_cm3 == 0
        return
    assert nest.fill_share <= limit + 1e-9
    blank = params["blank_first_mm"] + params["blank_last_mm"]
    assert nest.cake_cm3 == pytest.approx(15 * 13 * (nest.height_mm + blank) / 10)
    heights = [nested(machine, [(box, copies)]).height_mm for copies in range(1, most + 1)]
    assert heights == sorted(heights)
