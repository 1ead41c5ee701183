"""Pieces a day when the line runs, against arithmetic."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.quoting.document import quote
from calib.quoting.learned import Learned

ON_MACHINE = ("machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning")


def test_a_machine_without_a_calendar_gives_its_plate_over_its_cycle(
    box, always_open, request_for, certain, plain_physics
):
    option = next(o for o in quote(request_for(500, processes=("MEX",)), always_open, [box], Learned(certain), draws=20)
                  ["options"] if o["machine"] == "mex1")  # fmt: skip
    plate = option["parts_per_build"]
    on_machine = [stage["stage"] for stage in option["stages"] if stage["stage"] in ON_MACHINE]
    cycle = 60 + 10 * plate + 6 * (len(on_machine) - 1)
    assert option["pieces_per_day"]["p50"] == pytest.approx(plate * 1440 / cycle, rel=1e-3)


def test_longer_hours_and_a_second_machine_never_make_fewer(box, shop, request_for, plain_physics):
    learned = Learned(Calibrator(prior_only=True), Waits(), Failures())
    open_long = replace(shop, hours=(((360, 1320),),) * 5 + ((), ()))
    twice = replace(shop, machines={**shop.machines, "mex2": replace(shop.machines["mex1"], id="mex2")})
    usual, long, two = (
        quote(request_for(400, processes=("MEX",)), lab, [box], learned, draws=300)["options"][0]
        for lab in (shop, open_long, twice)
    )
    assert long["pieces_per_day"]["p50"] > usual["pieces_per_day"]["p50"]
    assert two["machine"] == "mex1+mex2"
    assert two["pieces_per_day"]["p50"] > 1.5 * usual["pieces_per_day"]["p50"]


def test_only_the_soonest_of_each_process_says_it(box, shop, request_for):
    twice = replace(shop, machines={**shop.machines, "mex2": replace(shop.machines["mex1"], id="mex2")})
    options = quote(request_for(2), twice, [box], Learned(Calibrator(prior_only=True), Waits()), draws=200)["options"]
    answer = [one["process"] for one in options if one["pieces_per_day"]]
    assert sorted(answer) == ["MEX", "PBF", "VPP"]
    assert len(options) > 3
