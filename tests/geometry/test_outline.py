import numpy as np
import pytest
from solids_for_tests import ball, box, crumpled

from calib.geometry.outline import MAX_LINES, outline


def test_views_of_a_box_are_three_rectangles():
    views = outline(box(10, 20, 30, (5, 5, 5)))
    sizes = {name: (view["width_mm"], view["height_mm"]) for name, view in views.items()}
    assert sizes == {"front": (10, 30), "side": (20, 30), "top": (10, 20)}
    for view in views.values():
        assert len(view["lines"]) == 4
        ends = np.array(view["lines"]).reshape(-1, 2)
        assert ends.min(axis=0) == pytest.approx([0, 0])
        assert ends.max(axis=0) == pytest.approx([view["width_mm"], view["height_mm"]])


def test_a_smooth_ball_shows_its_rim_only():
    ends = np.array(outline(ball(10.0))["top"]["lines"]) - 10
    assert np.linalg.norm(ends, axis=2).min() > 9.0


def test_many_lines_are_capped_and_counted():
    view = outline(crumpled(6) + 0.05 * np.sin(40 * crumpled(6)[..., [2, 0, 1]]))["front"]
    assert len(view["lines"]) <= MAX_LINES
    assert len(view["lines"]) + view["left_out"] > 0
