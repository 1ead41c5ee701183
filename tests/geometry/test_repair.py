import numpy as np
import pytest
from solids_for_tests import ball, box

from calib.geometry.repair import heal

CUBE = box(10, 10, 10, (50, 60, 70))


def turned(triangles):
    return triangles[:, ::-1]


def test_a_sound_box_is_left_alone():
    found = heal(CUBE)
    assert (found.volume_mm3, found.watertight, found.bodies, found.notes) == (pytest.approx(1000), True, 1, ())


@pytest.mark.parametrize("missing", range(12))
def test_a_missing_triangle_is_closed_and_said(missing):
    found = heal(np.delete(CUBE, missing, axis=0))
    assert found.volume_mm3 == pytest.approx(1000.0)
    assert not found.watertight
    assert "1 hole closed" in found.notes[0]


def test_an_open_cup_has_no_volume():
    found = heal(CUBE[CUBE[:, :, 2].min(axis=1) < 80])
    assert np.isnan(found.volume_mm3)
    assert not found.watertight
    assert "it has no volume" in found.notes[0]


def test_an_inside_out_box_is_turned_outwards():
    found = heal(turned(CUBE))
    assert found.volume_mm3 == pytest.approx(1000.0)
    assert found.watertight
    assert "instead of -1 cm3" in found.notes[0]


@pytest.mark.parametrize("face", [0, 5, 11])
def test_one_face_turned_the_wrong_way_is_turned_back(face):
    cube = CUBE.copy()
    cube[face] = cube[face][::-1]
    found = heal(cube)
    assert found.volume_mm3 == pytest.approx(1000.0)
    assert found.watertight  # every edge has its two faces
    assert "1 of 12 faces" in found.notes[0]


@pytest.mark.parametrize(
    ("other", "volume", "text"),
    [
        (CUBE, 1000.0, "instead of 2 cm3"),
        (CUBE + 5, 1875.0, "instead of 2 cm3"),
        (CUBE + 50, 2000.0, ""),
        (turned(CUBE) + 50, 2000.0, "1 of 2 bodies were inside out"),
        (turned(box(5, 5, 5, (52, 62, 72))), 875.0, ""),
        (box(5, 5, 5, (52, 62, 72)), 1000.0, "instead of 1.125 cm3"),
    ],
    ids=["coincident", "overlapping", "apart", "apart, inside out", "hollow", "hidden inside"],
)
def test_two_bodies_count_space_once(other, volume, text):
    found = heal(np.concatenate([CUBE, other]))
    assert found.bodies == 2
    assert found.volume_mm3 == pytest.approx(volume)
    assert text in " ".join(found.notes)


def test_faces_that_are_there_twice_are_dropped():
    found = heal(np.concatenate([CUBE, CUBE[:5]]))
    assert found.volume_mm3 == pytest.approx(1000.0)
    assert "5 faces were there twice" in found.notes[0]


def test_corners_that_differ_by_rounding_are_one():
    shaken = ball(10.0, 3) + np.random.default_rng(0).normal(0, 1e-7, (1280, 3, 3))
    found = heal(shaken)
    assert found.volume_mm3 == pytest.approx(heal(ball(10.0, 3)).volume_mm3, rel=1e-4)


@pytest.mark.parametrize("triangles", [CUBE[:1], CUBE * [1, 1, 0], np.repeat(CUBE[:1, :1], 3, axis=1)])
def test_what_encloses_nothing_has_no_volume(triangles):
    found = heal(triangles)
    assert np.isnan(found.volume_mm3)
    assert found.notes


def bent_bar(degrees, pieces=80):
    """A square bar bent to a ring; beyond 360 degrees its end runs into its beginning: one body that crosses itself."""
    turn = np.deg2rad(np.linspace(0, degrees, pieces + 1))
    corners = [(5, 0), (5, 4), (10, 4), (10, 0)]
    rails = [np.stack([r * np.cos(turn), r * np.sin(turn), np.full(pieces + 1, z)], axis=1) for r, z in corners]
    faces = []
    for one, two in zip(rails, rails[1:] + rails[:1], strict=True):
        faces += [one[:-1], two[:-1], two[1:], one[:-1], two[1:], one[1:]]
    a, b, c, d = rails
    ends = [a[0], c[0], b[0], a[0], d[0], c[0], a[-1], b[-1], c[-1], a[-1], c[-1], d[-1]]
    sides = np.stack([np.stack(faces[i : i + 3], axis=1) for i in range(0, len(faces), 3)]).reshape(-1, 3, 3)
    return np.concatenate([sides, np.array(ends).reshape(-1, 3, 3)])


def test_one_body_that_runs_into_itself_is_told_with_what_counts_twice():
    ring = np.pi * 75 * 4
    sound = heal(bent_bar(300))
    assert (sound.volume_mm3, sound.notes) == (pytest.approx(ring * 300 / 360, rel=2e-3), ())
    crossed = heal(bent_bar(400))
    assert crossed.bodies == 1
    assert np.isnan(crossed.volume_mm3)
    assert crossed.notes[-1].startswith("The surface crosses itself: about 0.105 of its 1.046 cm3 count more than once")
