"""Crews in hours of their own, against times by hand and the law that a crew more is never later."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.calendar.clock import OpenClock
from calib.errors import ShopFileError
from calib.quoting.schedule import Job, Resources, ends_of, run_jobs
from calib.quoting.staff import Staff, people_there
from calib.shop.model import Crew, Shop
from calib.shop.patch import patched
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

DAY = (((480, 1020),),) * 5 + ((), ())  # 8 to 17 h, Monday to Friday
LATE = (((1020, 1440),),) * 5 + ((), ())  # 17 to 24 h
MONDAY = 4 * 1440.0  # 1970-01-05
ONE_DAY, ONE_LATE = Crew("day", 1), Crew("late", 1, hours=LATE)


def lab(*crews: Crew) -> Shop:
    return Shop("lab", "UTC", DAY, (), {}, {}, {}, {one.id: one for one in crews}, {}, (), {})


def ready_h(shop: Shop, at_h: float, minutes: float, before: float = 0.0) -> float:
    """When work of so many minutes is done that comes at an hour of Monday, behind work that comes at the same time."""
    jobs = [
        Job(name, None, ("packing",), {"packing": np.array([m])}, {"packing": 1.0}, ready=MONDAY + 60 * at_h)
        for name, m in (("before", before), ("mine", minutes))
    ]
    resources = Resources(shop, OpenClock(shop.attended, (), "UTC"), 1, MONDAY + 60 * at_h)
    return (float(ends_of(run_jobs(jobs[0 if before else 1 :], resources))["mine"][0]) - MONDAY) / 60


@pytest.mark.parametrize(
    ("crews", "at_h", "minutes", "expected"),
    [
        ([ONE_DAY], 18, 30, 24 + 8.5),  # the next morning
        ([ONE_DAY, ONE_LATE], 18, 30, 18.5),
        ([ONE_LATE], 9, 30, 17.5),
        ([ONE_DAY, ONE_LATE], 16.5, 60, 18.0),  # half an hour is left by day: the late crew is done first, by 18 h
        ([ONE_DAY, ONE_LATE], 23.5, 120, 24 + 10.0),  # begun at night it would be done at 18:30 of Tuesday
        ([ONE_DAY, Crew("late", 1, ("washing",), hours=LATE)], 18, 30, 24 + 8.5),  # who comes late does not pack
    ],
)
def test_work_is_done_in_the_hours_of_who_does_it(crews, at_h, minutes, expected):
    assert ready_h(lab(*crews), at_h, minutes) == pytest.approx(expected)


def test_a_crew_that_is_busy_leaves_work_to_the_next_shift():
    # 16:00, the day's one person has 6 h before her: mine would be done by Tuesday 14 h; the late crew has it by 18 h
    assert ready_h(lab(ONE_DAY, ONE_LATE), 16, 60, before=60) == pytest.approx(18)


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 160), st.floats(1, 900), st.floats(0, 900), st.integers(1, 3))
def test_a_crew_more_is_never_later(at_h, minutes, before, people):
    one = Crew("day", people)
    assert ready_h(lab(one, ONE_LATE), at_h, minutes, before) <= ready_h(lab(one), at_h, minutes, before) + 1e-6


def test_the_shop_file_says_the_hours_of_a_crew_and_a_patch_adds_one():
    text = shop_text("Europe/Berlin")
    late = '[[crew]]\nid = "late"\nsize = 1\n[crew.hours]\nmon = "17:00-24:00"\ntue = ["00:00-02:00", "17:00-24:00"]\n'
    changed = patched(text, late)
    assert changed.crews["late"].hours == (((1020, 1440),), ((0, 120), (1020, 1440)), (), (), (), (), ())
    assert shop_from_text(text).crews["lab"].hours is None
    assert changed.hours == shop_from_text(text).hours
    assert changed.attended[0][-1][1] == 1440
    with pytest.raises(ShopFileError, match=r'"17-24" is not a span of a day'):
        patched(text, late.replace("17:00-24:00", "17-24"))
    with pytest.raises(ShopFileError, match="late"):
        patched(text, late.replace("mon =", "late ="))


def test_waits_for_people_shrink_with_people_who_come_when_the_others_go():
    two = Crew("day", 2)
    staff = Staff(share=1.0, people=2, work=1.0, hours=90.0)
    assert staff.times(lab(two)) == 1.0
    assert people_there(lab(two, ONE_LATE)) == 2  # 2 x 45 h and 35 h in 80 h: 1.56
    assert staff.times(lab(two, ONE_LATE)) == pytest.approx(90 / 125)
    assert staff.times(lab(Crew("day", 20))) == pytest.approx(0.1)
    # one alone with as much work as hours: M/M/c without end, cut at ten times
    assert staff.times(lab(ONE_DAY)) == pytest.approx(10.0)
