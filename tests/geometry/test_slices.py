"""Slices that a 3MF file carries are its layers; those that are none end in a sentence."""

import numpy as np
import pytest
from solids_for_tests import box
from test_read_mesh import archive, mesh_xml

from calib.errors import MeshError
from calib.geometry.layer_profile import layer_profile
from calib.geometry.poses import Pose
from calib.geometry.read_mesh import read_mesh

SLICE = "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07"
SQUARE, HOLE = [(0, 0), (20, 0), (20, 10), (0, 10)], [(5, 2), (5, 8), (15, 8), (15, 2)]
PLACED = '<item objectid="1" transform="{}"/>'


def polygons(*rings):
    points = "".join(f'<s:vertex x="{x}" y="{y}"/>' for ring in rings for x, y in ring)
    begin, drawn = 0, ""
    for ring in rings:
        ends = [*range(begin + 1, begin + len(ring)), begin]
        drawn += f'<s:polygon startv="{begin}">' + "".join(f'<s:segment v2="{v}"/>' for v in ends) + "</s:polygon>"
        begin += len(ring)
    return f"<s:vertices>{points}</s:vertices>{drawn}"


def stack(*slices, number="7", bottom=0.0, refs=""):
    inside = "".join(f'<s:slice ztop="{top}">{drawn}</s:slice>' for top, drawn in slices)
    return f'<s:slicestack xmlns:s="{SLICE}" id="{number}" zbottom="{bottom}">{inside}{refs}</s:slicestack>'


def sliced(stacks, build='<item objectid="1"/>', unit=""):
    solid = mesh_xml(box(20, 10, 4))
    return archive(f'{stacks}<object xmlns:s="{SLICE}" id="1" s:slicestackid="7">{solid}</object>', build, unit)


@pytest.fixture
def read(tmp_path):
    def written(data):
        (tmp_path / "part.3mf").write_bytes(data)
        return read_mesh(tmp_path / "part.3mf")

    return written


def profile(mesh, layer_mm=1.0, rotation=None):
    rotation = np.eye(3) if rotation is None else rotation
    return Pose(rotation, mesh.size_mm, mesh).profile(layer_mm)


PLAIN, HOLED = polygons(SQUARE), polygons(SQUARE, HOLE)


def test_slices_are_the_layers_where_the_part_lies_as_in_its_file(read):
    # by hand: 20 x 10 below 2 mm, above it with a hole of 10 x 6; 45 degree lines are as many as (20 + 10) / sqrt 2 wide
    mesh = read(sliced(stack((2, PLAIN), (4, HOLED))))
    found = profile(mesh)
    assert found.area_mm2 == pytest.approx([200, 200, 140, 140])
    assert found.perimeter_mm == pytest.approx([60, 60, 92, 92])
    assert found.contours.tolist() == [1, 1, 2, 2]
    assert found.segments.tolist() == [4, 4, 8, 8]
    assert found.corners == pytest.approx([4, 4, 8, 8])
    assert found.line_width_mm[:, 0] == pytest.approx(np.array([30, 30, 46, 46]) / np.sqrt(2))
    assert "its own 2 slices" in " ".join(mesh.notes)
    turned = profile(mesh, rotation=np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]))
    assert turned.area_mm2 == pytest.approx([80] * 10)  # of the mesh: 20 x 4 on its side


def test_slices_of_the_mesh_itself_change_nothing(read):
    solid = box(20, 10, 4)
    mesh = read(sliced(stack((0.5, PLAIN), (1.5, PLAIN), (4, PLAIN))))
    expected = layer_profile(solid, 0.2)
    for name in ("area_mm2", "perimeter_mm", "contours", "segments", "corners", "line_width_mm", "up_skin_mm2"):
        assert getattr(profile(mesh, 0.2), name) == pytest.approx(getattr(expected, name)), name


@pytest.mark.parametrize(
    ("place", "unit", "scale"),
    [("1 0 0 0 1 0 0 0 1 5 6 7", "", 1), ("0 1 0 -1 0 0 0 0 1 5 0 0", "", 1), ("-1 0 0 0 1 0 0 0 1 0 0 9", "", 1),
     ("2 0 0 0 2 0 0 0 2 0 0 0", "", 2), ("1 0 0 0 1 0 0 0 1 0 0 3", "centimeter", 10)],
)  # fmt: skip
def test_slices_go_with_their_item(read, place, unit, scale):
    mesh = read(sliced(stack((2, PLAIN), (4, HOLED)), PLACED.format(place), unit=unit))
    found = profile(mesh, float(scale))
    assert found.area_mm2 == pytest.approx(np.array([200, 200, 140, 140]) * scale**2)
    assert found.corners == pytest.approx([4, 4, 8, 8])


def test_slices_that_are_no_sections_are_left_alone(read):
    lying = read(sliced(stack((2, PLAIN), (4, HOLED)), PLACED.format("1 0 0 0 0 1 0 -1 0 0 0 0")))
    assert lying.slices == () and profile(lying).area_mm2 == pytest.approx([80] * 10)
    short = profile(read(sliced(stack((1, HOLED)))))  # above its slices the mesh
    assert short.area_mm2 == pytest.approx([140, 200, 200, 200])


def test_a_stack_may_refer_to_others(read):
    refs = '<s:sliceref slicestackid="8" slicepath="/3D/part.model"/><s:sliceref slicestackid="9"/>'
    others = stack((2, PLAIN), number="8") + stack((4, HOLED), number="9", bottom=2)
    assert profile(read(sliced(others + stack(refs=refs)))).area_mm2 == pytest.approx([200, 200, 140, 140])


OPEN = '<s:vertices><s:vertex x="0" y="0"/><s:vertex x="9" y="0"/><s:vertex x="9" y="9"/></s:vertices>'
CIRCLE = stack(refs='<s:sliceref slicestackid="8"/>') + stack(refs='<s:sliceref slicestackid="7"/>', number="8")


@pytest.mark.parametrize(
    ("stacks", "sentence"),
    [
        (stack(("nan", PLAIN)), "ztop nan, which is no height"),
        (stack((1e30, PLAIN)), "which is no height"),
        (stack((1e9, PLAIN)), "at most 1e\\+06 mm are read"),
        (stack((2, PLAIN), (2, PLAIN)), "slice 2 has ztop 2, not above 2"),
        (stack((2, PLAIN), (1, PLAIN)), "slice 2 has ztop 1, not above 2"),
        (stack((2, PLAIN), bottom="inf"), "begins at inf"),
        (stack((2, polygons([("nan", 0), (9, 0), (9, 9)]))), "is no place"),
        (stack((2, polygons([(1e9, 0), (2e9, 0), (2e9, 9)]))), "which is no place|at most"),
        (stack((2, polygons([(1e8, 0), (2e8, 0), (2e8, 9)]))), "a slice at 2e\\+08 mm"),
        (stack((2, f'{OPEN}<s:polygon startv="0"><s:segment v2="1"/><s:segment v2="2"/></s:polygon>')), "is not closed"),
        (stack((2, f'{OPEN}<s:polygon startv="0"/>')), "is not closed"),
        (stack((2, f'{OPEN}<s:polygon startv="0"><s:segment v2="3"/></s:polygon>')), "names vertex 3, and there are 3"),
        (stack((2, polygons(SQUARE[::-1]))), "inside out"),
        (stack((2, '<s:polygon startv="x"/>')), "number in it is wrong"),
        (stack(("", PLAIN)), "number in it is wrong"),
        (CIRCLE, "refers to others though it is referred to itself"),
        (stack(refs='<s:sliceref slicestackid="6"/>'), 'slice stack "6" is used but not there'),
        (stack((2, PLAIN), number="6"), 'slice stack "7" is used but not there'),
        (stack(refs='<s:sliceref slicestackid="7"/>' * 1001), "refers to more than 1000 others"),
    ],
)  # fmt: skip
def test_what_is_no_stack_of_slices_ends_in_a_sentence(read, stacks, sentence):
    with pytest.raises(MeshError, match=sentence):
        read(sliced(stacks))
