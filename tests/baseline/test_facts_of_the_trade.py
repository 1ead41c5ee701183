"""What every lab knows, as orderings on the shipped default shop: common practice, no source."""

from __future__ import annotations

import pytest
from default_shop import SHOP, minutes

from calib.baseline.build import explain
from calib.baseline.route import default_route
from calib.shop.patch import patched
from calib.shop.template import shop_text

PART = {"part_volume_cm3": 25.0, "part_area_cm2": 110.0, "height_mm": 45.0}
FINISHED = {"MEX": "supports_off", "VPP": "supports_off", "PBF": "blasted"}
MATERIAL = {"MEX": "pla", "VPP": "resin", "PBF": "pa12"}
ON_MACHINE = ("warm_up", "printing", "cool_down")


def batch(process, parts, a_build_high=None, **more):
    """Columns of a build of so many parts; in a powder bed they lie over one another."""
    shape = {name: value * parts for name, value in PART.items() if name != "height_mm"}
    height = PART["height_mm"] if a_build_high is None else a_build_high
    return {"process": process, "parts": float(parts), "height_mm": height, **shape, **more}


def route(process, finish=None, supports=True):
    return default_route(process, finish or FINISHED[process], MATERIAL[process], supports, SHOP)


def elapsed(process, parts=1, supports=True, finish=None, **more):
    found = minutes(**batch(process, parts, **more))
    return sum(found[stage] for stage in route(process, finish, supports))


def hands(process, parts=1, supports=True, finish=None, **more):
    found = minutes(touch=True, **batch(process, parts, **more))
    return sum(found[stage] for stage in route(process, finish, supports))


def change_min(process):
    last = {"process": [process], "machine": ["mex1", "vpp1", "pbf1"][["MEX", "VPP", "PBF"].index(process)]}
    import numpy as np

    arrays = {name: np.array([value] if isinstance(value, str) else value, object) for name, value in last.items()}
    arrays |= {"material": np.array([MATERIAL[process]], object), "last_material": np.array(["another"], object)}
    return next(t.minutes for t in explain(arrays, SHOP) if t.name == "change of material")


def test_changing_material_filament_resin_powder():
    assert 2 <= change_min("MEX") <= 15
    assert change_min("VPP") < 1
    assert change_min("PBF") > 60


def test_one_rough_prototype_comes_first_by_extrusion_or_thick_resin_and_last_from_powder():
    plain = {"difficulty": "plain", "supports": False, "support_volume_cm3": 0.0, "support_contact_cm2": 0.0}
    extruded = elapsed("MEX", layer_mm=0.28, **plain)
    resin = elapsed("VPP", layer_mm=0.1, **plain)
    powder = elapsed("PBF", **plain)
    assert powder > 1.5 * max(extruded, resin)


def test_equal_detail_costs_extrusion_about_four_times_and_resin_at_most_twice():
    coarse = minutes(**batch("MEX", 1))["printing"]
    fine = minutes(**batch("MEX", 1, nozzle_mm=0.2, layer_mm=0.1))["printing"]
    assert 2.8 < fine / coarse < 5.0
    resin = minutes(**batch("VPP", 1))["printing"]
    assert minutes(**batch("VPP", 1, layer_mm=0.025))["printing"] / resin <= 2.0


def test_resin_s_printing_for_each_part_falls_steeply_as_more_share_the_plate():
    one, ten = (minutes(**batch("VPP", n))["printing"] / n for n in (1, 10))
    assert ten < 0.15 * one


def test_powder_bed_the_more_parts_nested_the_less_time_for_each():
    each = [
        sum(minutes(**batch("PBF", n, a_build_high=h))[stage] for stage in ON_MACHINE) / n
        for n, h in ((1, 45.0), (10, 60.0), (40, 200.0))
    ]
    assert each[0] > 3 * each[1] > 3 * each[2]


def test_large_nested_batches_take_a_person_the_least_minutes_for_each_part():
    powder = hands("PBF", 40, a_build_high=200.0) / 40
    resin = hands("VPP", 6) / 6
    extruded = hands("MEX", 4) / 4
    assert powder < resin
    assert powder < extruded


def test_warm_up_and_cool_down_are_a_large_fixed_share_of_a_powder_build():
    found = minutes(**batch("PBF", 1))
    machine = sum(found[stage] for stage in ON_MACHINE)
    assert (found["warm_up"] + found["cool_down"]) / machine > 0.4


def test_one_small_part_costs_a_powder_bed_nearly_a_whole_night():
    small = minutes(process="PBF", parts=1.0, part_volume_cm3=6.0, part_area_cm2=40.0, height_mm=30.0)
    assert sum(small[stage] for stage in ON_MACHINE) > 5 * 60
    assert sum(small[stage] for stage in ON_MACHINE) < 15 * 60


AFTER = ("draining", "washing", "drying", "support_removal", "post_curing", "sanding", "breakout", "part_cleaning")


def after_printing(process, finish, supports, contact, touch=False):
    shape = {"support_volume_cm3": contact * 0.4, "support_contact_cm2": contact}
    found = minutes(touch=touch, **batch(process, 1, **shape))
    return sum(found[stage] for stage in route(process, finish, supports) if stage in AFTER)


def test_simple_part_extrusion_s_finishing_is_shorter_than_resin_s():
    assert after_printing("MEX", "supports_off", False, 0.0) < after_printing("VPP", "supports_off", False, 0.0)


def test_part_with_supports_and_a_good_surface_is_more_hand_work_by_extrusion():
    # the layers of extrusion are sanded, resin's surface is good as it is
    extruded = after_printing("MEX", "sanded", True, 20.0, touch=True)
    resin = after_printing("VPP", "supports_off", True, 20.0, touch=True)
    assert extruded > resin


def test_powder_bed_removes_no_supports_and_its_cleaning_for_each_part_falls():
    assert "support_removal" not in route("PBF", "sanded")
    cleaned = [minutes(**batch("PBF", n, a_build_high=200.0))["part_cleaning"] / n for n in (1, 10, 40)]
    assert cleaned[0] > cleaned[1] > cleaned[2]


@pytest.mark.parametrize(("station", "stage"), [("wash", "washing"), ("cure", "post_curing")])
def test_automatic_washing_and_curing_cut_a_person_s_time_not_the_step_s(station, stage):
    automatic = patched(shop_text("UTC"), f'[[station]]\nid = "{station}"\nautomatic_share = 0.7\n')
    before, after = (minutes(shop, **batch("VPP", 5)) for shop in (SHOP, automatic))
    assert after[stage] == pytest.approx(before[stage])
    before, after = (minutes(shop, touch=True, **batch("VPP", 5)) for shop in (SHOP, automatic))
    assert after[stage] < 0.5 * before[stage]
