"""Routes keep what a hazard needs, in its order, whatever a shop file, a patch or the logs say; every hazard has its caution."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pandas as pd
import pytest

from calib.errors import ShopFileError
from calib.records import PROCESSES, ROUTES, STAGES
from calib.safety import BEFORE_PRINTING, CAUTIONS, NOT_STATED, cautions, missing_stages, out_of_order
from calib.shop.patch import patched
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text
from calib.workflow.routes import route_of

BASE = shop_text("UTC")
HAND = {"file_prep", "unloading", "breakout", "packing", "sanding"}  # of the stages below, those with a person in them


def is_safe(process, route):
    """The rules in other words: what may not have happened yet, stage by stage."""
    done = set()
    for stage in route:
        begun_early = "printing" not in done and stage not in (*BEFORE_PRINTING, "printing")
        hot = process == "PBF" and "printing" in done and "cool_down" not in done and stage in HAND
        wet = stage == "post_curing" and not {"washing", "drying"} <= done
        dirty = process == "VPP" and stage == "drying" and "washing" not in done
        uncured = process == "VPP" and stage in ("sanding", "packing") and "post_curing" not in done
        caustic = process == "MEX" and stage in ("drying", "packing") and "rinsing" not in done
        bare = stage == "rinsing" and "support_dissolving" not in done
        if begun_early or hot or wet or dirty or uncured or caustic or bare:
            return False
        done.add(stage)
    return True


SHORT = {
    "PBF": ("file_prep", "printing", "cool_down", "breakout", "packing"),
    "VPP": ("printing", "washing", "drying", "post_curing", "sanding"),
    "MEX": ("printing", "support_dissolving", "rinsing", "drying", "packing"),
}
DOORS = {
    "shop file": lambda text: shop_from_text(BASE + text),
    "patch": lambda text: patched(BASE, text),
}


def is_taken(door, process, route):
    cooled = [
        one
        for stage in route
        for one in ((stage, "cool_down") if stage == "printing" and process == "MEX" else (stage,))
    ]
    listed = ", ".join(f'"{stage}"' for stage in dict.fromkeys(cooled))
    try:
        DOORS[door](f"[routes]\n{process} = [{listed}]\n")
    except ShopFileError:
        return False
    return True


@pytest.mark.parametrize("process", PROCESSES)
def test_of_every_order_the_safe_ones_are_taken_and_no_other(process):
    orders = list(permutations(SHORT[process]))
    taken = [order for order in orders if not out_of_order(process, order)]
    assert taken == [order for order in orders if is_safe(process, order)]
    assert 0 < len(taken) < len(orders)


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("process", PROCESSES)
def test_every_door_refuses_what_the_rules_refuse(door, process):
    random = np.random.default_rng(1)
    orders = list(permutations(SHORT[process]))
    tried = [orders[at] for at in random.choice(len(orders), 12, replace=False)] + [SHORT[process]]
    for order in tried:
        assert is_taken(door, process, order) == is_safe(process, order), order


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("process", PROCESSES)
def test_every_drop_of_up_to_three_stages_keeps_what_a_hazard_needs(door, process):
    needed = {"VPP": {"washing", "drying", "post_curing"}, "PBF": {"cool_down"}, "MEX": set()}[process]
    refused = 0
    for dropped in [
        set(one) for size in (1, 2, 3) for one in combinations(("packing", "sanding", "rinsing", *needed), size)
    ]:
        route = [stage for stage in ROUTES[process] if stage not in dropped]
        lacks = bool(dropped & needed) or (process == "MEX" and "rinsing" in dropped)
        refused += lacks
        if lacks or len(dropped) == 1:
            assert is_taken(door, process, route) != lacks, dropped
    assert refused


def test_a_route_without_cooling_is_refused_where_only_a_temperature_is_stated():
    text = '[[material]]\nid = "{}"\nprocess = "{}"\ncool_to_c = 45\nfloor_source = "sheet"\n[routes]\n{} = ["printing", "packing"]\n'
    for material, process in (("powder", "PBF"), ("filament", "MEX")):
        with pytest.raises(ShopFileError, match=r'"cool_down" is missing: material ".*" states cool_to_c'):
            shop_from_text(BASE + text.format(material, process, process))


def test_no_log_drops_or_turns_round_what_a_hazard_needs():
    random, shop = np.random.default_rng(2), shop_from_text(BASE)
    soluble = patched(BASE, '[[material]]\nid = "pla"\nsoluble_supports = 1\n')
    for _ in range(12):
        for process, material, own in (("MEX", "pla", soluble), ("VPP", "resin", shop), ("PBF", "pa12", shop)):
            stages = [stage for stage in STAGES if random.random() < 0.6 and stage in ROUTES[process]]
            share = random.random(len(stages))
            logged = pd.concat(
                pd.DataFrame({"process": process, "material": name, "finish": finish, "stage": stages, "builds": 9,
                              "share": share})
                for name, finish in (("", ""), (material, "sanded"))
            )  # fmt: skip
            route = route_of(process, material, "sanded", True, own, logged)
            assert not missing_stages(process, route)
            assert not out_of_order(process, route)


WITHOUT_HAZARD = {"design_adaptation", "file_prep", "inspection", "packing"}


@pytest.mark.parametrize("process", PROCESSES)
def test_every_stage_of_a_route_that_can_hurt_has_its_caution(process):
    assert {stage for stage in ROUTES[process] if not cautions(process, stage)} == WITHOUT_HAZARD
    own = [text for processes, _, text in CAUTIONS if process in processes]
    words = {
        "MEX": {"nozzle": "bed", "caustic": "gloves"},
        "VPP": {"resin": "gloves", "UV": "interlock"},
        "PBF": {"dust": "respirator", "inert": "oxygen alarm", "Laser": "interlocks"},
    }
    for hazard, remedy in words[process].items():
        assert any(hazard in text and remedy in text for text in own), hazard
    foreign = {"MEX": ("Laser", "inert", "resin and", "powder"), "VPP": ("inert", "powder"), "PBF": ("caustic", "UV")}
    assert not [text for text in own for word in foreign[process] if word in text]


def test_a_stage_of_the_shops_own_carries_its_caution_or_says_that_it_has_none():
    text = (
        BASE
        + '[rates.vapour_smoothing]\nrecipe_min = 9\ncaution = "Flammable vapour."\n[rates.waxing]\nstart_min = 3\n'
    )
    shop = shop_from_text(text)
    assert cautions("MEX", "vapour_smoothing", shop.cautions) == ("Flammable vapour.",)
    assert cautions("MEX", "waxing", shop.cautions) == (NOT_STATED,)
    with pytest.raises(ShopFileError, match="rates, waxing, caution: 3 is not a text"):
        shop_from_text(text.replace("start_min = 3", "start_min = 3\ncaution = 3"))
