"""An order that is quoted behind the queue is ready when it is ready in one run with the queue: quote and promise agree."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from test_arrival import DAYS, builds, lab

from calib.calendar.clock import OpenClock
from calib.calibration.calibrator import Calibrator
from calib.calibration.waits import Waits
from calib.quoting.common_random_numbers import CommonRandomNumbers
from calib.quoting.learned import Learned
from calib.quoting.schedule import Ahead, Job, Resources, ends_of, run_jobs
from calib.shop.model import Shop

START = 480.0


def through(jobs: list[Job], shop: Shop, ahead: Ahead | None = None) -> tuple[np.ndarray, Ahead]:
    """When the last of the jobs is done, and what they leave to the next."""
    resources = Resources(shop, OpenClock(DAYS, (), "UTC"), 40, START, ahead=ahead)
    return ends_of(run_jobs(jobs, resources))[jobs[-1].name], resources.left_ahead()


@pytest.mark.parametrize("people", [1, 2, 4])
@pytest.mark.parametrize("before", [1, 5, 14])
def test_behind_the_queue_and_in_one_run_with_it_an_order_is_ready_in_the_same_minute(people, before):
    jobs, shop = builds(before + 1, 40, waits=True), lab(people)
    together, _ = through(jobs, shop)
    behind, _ = through(jobs[-1:], shop, through(jobs[:-1], shop)[1])
    assert behind == pytest.approx(together, abs=1e-6)
    two, _ = (
        through(jobs[-1:], shop, through(jobs[-2:-1], shop, through(jobs[:-2], shop)[1])[1])
        if before > 1
        else (behind, 0)
    )
    assert two == pytest.approx(together, abs=1e-6)


@pytest.mark.parametrize("people", [1, 3])
def test_a_build_more_in_the_queue_is_never_sooner_for_who_comes_behind_it(people):
    jobs, shop = builds(13, 40, waits=True), lab(people)
    last = [through(jobs[-1:], shop, through(jobs[:count], shop)[1])[0] for count in range(1, 13)]
    assert all(np.all(later >= sooner - 1e-6) for sooner, later in pairwise(last))


def test_people_who_have_too_much_to_do_already_come_later_even_where_no_machine_is_wanted():
    # one person, three builds of 75 min by hand each at once, no machine: the fourth waits for all their hands
    shop = lab(1)
    work = {"file_prep": np.full(40, 45.0), "inspection": np.full(40, 30.0)}
    one = [
        Job(f"j{i}", None, tuple(work), work, dict.fromkeys(work, 1.0), {"file_prep": np.zeros(40)}) for i in range(4)
    ]
    alone, _ = through(one[-1:], shop)
    behind, _ = through(one[-1:], shop, through(one[:-1], shop)[1])
    assert alone == pytest.approx(START + 75)
    assert behind == pytest.approx(START + 4 * 75)


def test_waits_of_a_lab_have_a_factor_in_common_that_logs_take_away():
    few, many = (
        pd.DataFrame({"process": "MEX", "stage": "packing", "wait_min": minutes})
        for minutes in ([20.0] * 4, [5.0, 20.0, 80.0] * 150)
    )
    before, learned = (
        CommonRandomNumbers(Learned(Calibrator(prior_only=True), waits), 4000, 3)
        for waits in (Waits(), Waits().fit(many))
    )

    def together(random_numbers: CommonRandomNumbers) -> float:
        """Correlation of the logs of two stages' waits, in different builds."""
        one, two = (
            np.log(random_numbers.wait("MEX", stage, number) + 1.0)
            for stage, number in (("packing", 1), ("inspection", 2))
        )
        return float(np.corrcoef(one, two)[0, 1])

    assert together(before) > 0.08
    assert abs(together(learned)) < 0.06
    # by hand: four waits at the prior's median leave 8 of 12 parts of the variance 1.2^2, 0.96; 1 / sqrt(1 + 4 / 0.96)
    assert (Waits().lab_spread, Waits().fit(few).lab_spread) == pytest.approx((1.0, 0.4399), abs=1e-4)
