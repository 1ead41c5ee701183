import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from solids_for_tests import ball, box, crumpled

from calib.geometry.contours import _walked, loops_by_layer
from calib.geometry.layer_profile import layer_profile
from calib.geometry.sweep import planes_under
from calib.geometry.topology import (
    _twins_by_rank,
    body_of_face,
    equal_rows,
    joined,
    pinched_vertices,
    topology_of,
    twin_half_edges,
    vertex_ids,
    welded_corners,
)


@given(st.lists(st.tuples(*[st.sampled_from([0.0, -0.0, 1.0, 2.5])] * 3), min_size=1, max_size=40))
def test_equal_rows_are_those_that_a_set_finds_equal(rows):
    one = equal_rows(np.array(rows))
    for i, row in enumerate(rows):
        assert rows[one[i]] == row
        assert all((one[i] == one[j]) == (row == other) for j, other in enumerate(rows))


@pytest.mark.parametrize("solid", [box(1, 2, 3), ball(5.0), crumpled(), np.concatenate([box(1, 1, 1), box(2, 2, 2)])])
def test_mates_by_table_are_those_by_sorting(solid):
    faces = vertex_ids(solid)
    by_sorting = _twins_by_rank(faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1))
    assert np.array_equal(twin_half_edges(faces), by_sorting)


def test_open_and_overfull_edges_have_the_mates_that_are_there():
    faces = vertex_ids(np.concatenate([box(1, 1, 1)[1:], box(1, 1, 1)]))  # one cube open, one closed, the same place
    twins = twin_half_edges(faces)
    assert (twins < 0).sum() == 3
    paired = np.flatnonzero(twins >= 0)
    assert np.array_equal(twins[twins[paired]], paired)


def test_a_fan_of_ten_thousand_faces_is_paired():
    angle = 2 * np.pi * np.arange(10_000) / 10_000
    rim = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    tip, foot = np.broadcast_to([0.0, 0, 1], rim.shape), np.broadcast_to([0.0, 0, -1], rim.shape)
    cones = [np.stack(sides, axis=1) for sides in ((rim, np.roll(rim, -1, 0), tip), (np.roll(rim, -1, 0), rim, foot))]
    topology = topology_of(np.concatenate(cones))
    assert (topology.twins >= 0).all()
    assert body_of_face(topology.twins)[0] == 1
    assert len(pinched_vertices(topology)) == 2  # too many faces to walk round: taken as critical, to be safe


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.integers(0, 80), st.integers(0, 2**31))
def test_groups_are_those_of_a_graph_library(count, links, seed):
    one, two = np.random.default_rng(seed).integers(0, count, (2, links)).astype(np.int32)
    label = connected_components(csr_array((np.ones(links), (one, two)), shape=(count, count)), directed=False)[1]
    lowest = np.array([np.flatnonzero(label == own)[0] for own in label])
    assert np.array_equal(joined(one, two, count), lowest)


def test_corners_within_the_distance_are_welded_whichever_cell_they_fall_in():
    shaken = ball(10.0, 2) + np.random.default_rng(1).uniform(-4e-7, 4e-7, (320, 3, 3))
    _, faces = welded_corners(shaken, 1e-6)
    assert faces.max() + 1 == 162


@pytest.mark.parametrize("touching", [box(2, 2, 2, (1, 1, 1)), box(1, 1, 3, (1, 1, 0.5)), box(1, 1, 1, (0, 0, 1))])
def test_loops_of_solids_that_touch_in_corners_are_counted_as_if_every_layer_were_walked(touching):
    both = np.concatenate([box(1, 1, 1), touching, crumpled(2) * 0.02])
    heights = np.ascontiguousarray(both[:, :, 2].T)
    first, count = float(heights.min()) + 0.01, 90
    under, topology = planes_under(heights, first, 0.05, count), topology_of(both)
    everywhere = _walked(np.arange(count), under, topology.twins)
    assert np.array_equal(loops_by_layer(heights, under, topology, count), everywhere)


def test_a_tip_that_touches_a_simple_vertex_from_below_is_not_overlooked():
    # the vertex is the middle one of two triangles, as if nothing ended there
    solid, spike = crumpled(2), np.array(trimesh.creation.cone(1.0, 5.0, sections=5).triangles) - [0, 0, 5]
    for tip in solid[::7, 0]:
        both = np.concatenate([solid, spike + tip])
        heights = np.ascontiguousarray(both[:, :, 2].T)
        under, topology = planes_under(heights, -32.0, 0.5, 130), topology_of(both)
        everywhere = _walked(np.arange(130), under, topology.twins)
        assert np.array_equal(loops_by_layer(heights, under, topology, 130), everywhere)


def test_the_topology_of_one_pose_serves_another():
    solid = crumpled(3)
    turned = solid @ np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]).T
    one, other = layer_profile(turned, 0.5), layer_profile(turned, 0.5, topology=topology_of(solid))
    assert np.array_equal(one.contours, other.contours)
    assert np.array_equal(one.corners, other.corners)
