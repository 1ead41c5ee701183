"""Every key of a material, a machine, a station or a rate, by every spelling, tries to get under a least time: none may."""

from __future__ import annotations

import re
from itertools import cycle, product

import numpy as np
import pytest

from calib.baseline.build import build_minutes
from calib.errors import CalibError, ShopFileError
from calib.shop import keys
from calib.shop.patch import patched
from calib.shop.patch_facts import stated_by_patch
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

BASE = (
    shop_text("UTC")
    .replace('id = "resin"', 'id = "tough_resin"')
    .replace('["resin"]', '["tough_resin"]')
    .replace("# cure_floor_min = 20\n# floor", "wash_floor_min = 9\ndry_floor_min = 21\ncure_floor_min = 60\nfloor")
    .replace("# cool_to_c = 50\n# cool_floor_min = 360\n# floor", "cool_to_c = 50\ncool_floor_min = 360\nfloor")
    .replace(
        'id = "pla"', 'id = "pla"\nsoluble_supports = 1\nrinse_floor_min = 12\ncool_to_c = 35\nfloor_source = "sheet"'
    )
)
BASE = "".join(f"{line}\n" for line in BASE.splitlines() if line and line[0] != "#")  # it is read some thousand times
SPELLINGS = {
    "pla": ("pla", "PLA", "P-la", "p l a", "\uff30LA"),
    "tough_resin": ("tough_resin", "tough-resin", "Tough Resin", "toughresin", "tough\u2010resin", "tough\u200b_resin"),
    "pa12": ("pa12", "PA 12", "pa-12", "Pa_12", "pa\uff11\uff12"),
}
PROCESS = {"pla": "MEX", "tough_resin": "VPP", "pa12": "PBF"}
MACHINE = {"pla": "mex1", "tough_resin": "vpp1", "pa12": "pbf1"}


def least_of(shop, material):
    """Floors and minutes of the stages that a data sheet limits, of one build."""
    columns = {"process": PROCESS[material], "machine": MACHINE[material], "material": material, "parts": 12.0,
               "part_volume_cm3": 240.0, "part_area_cm2": 900.0, "height_mm": 140.0, "support_volume_cm3": 9.0}  # fmt: skip
    base = build_minutes({name: np.array([value], object) for name, value in columns.items()}, shop)
    limited = [stage in keys.LIMITS_OF_STAGE and not np.isnan(floor)
               for stage, floor in zip(base.stage, base.floor_min, strict=True)]  # fmt: skip
    return {stage: (floor, minutes) for stage, floor, minutes, is_limited in
            zip(base.stage, base.floor_min, base.minutes, limited, strict=True) if is_limited}  # fmt: skip


def attacks():
    """Patches that could shorten what a material's data sheet limits."""
    for material, spellings in SPELLINGS.items():
        process, name = PROCESS[material], f'[[material]]\nid = "{{}}"\nprocess = "{PROCESS[material]}"\n'
        own = [key for key in keys.MATERIAL_KEYS if process in key.defaults]
        values = [(key.name, value) for key in own for value in (key.low, key.high)]
        values += [(key, value) for key, (low, high, _) in keys.FLOOR_KEYS.items() for value in (low, high, 0, 1)]
        for spelled, (key, value) in zip(cycle(spellings), values, strict=False):  # spelling and key do not meet
            yield material, f'{name.format(spelled)}{key} = {value}\nfloor_source = "x"\n'
        for spelled in spellings:
            gone = f'[[material]]\nid = "{spelled}"\nremove = true\n'
            yield material, gone
            yield material, f"{gone}{name.format(material)}"
            yield material, f'[[material]]\nid = "{spelled}"\nprocess = "{"MEX" if process != "MEX" else "VPP"}"\n'
    for material, machine in MACHINE.items():
        kind = {"mex1": "extruder", "vpp1": "masked", "pbf1": "laser_bed"}[machine]
        for key in (one for one in keys.MACHINE_KEYS if kind in one.defaults):
            for value, spelled in ((key.low, machine), (key.high, machine.upper())):
                whole = int(value) if key.whole else value
                yield material, f'[[machine]]\nid = "{spelled}"\n{key.name} = {whole}\n'
                yield (
                    material,
                    f'[[machine]]\nid = "{spelled}"\n[[machine.change]]\nsince = 2020-01-01\n{key.name} = {whole}\n',
                )
        yield material, f'[[machine]]\nid = "{machine}"\nprocess = "{"MEX" if machine != "mex1" else "PBF"}"\n'
    for stage in keys.FLOOR_OF_STAGE:
        for spelled, key in product(
            dict.fromkeys((stage, stage.replace("_", "-"))), ("recipe_min", "hands_min", "start_min")
        ):
            for material in MACHINE:
                yield material, f'[rates."{spelled}"]\n{key} = 0\n'
                if key == "recipe_min":
                    station = f'[[station]]\nid = "quick"\nstages = ["{spelled}"]\n'
                    yield material, f"{station}recipe_min = 0\nautomatic_share = 1\n"


# What makes a build itself smaller or its printing longer, so that powder cools sooner, or the plate less hot from the
# start: no limit, and no fact of cooling.
SMALLER = ("bed_c", "blank_first_mm", "blank_last_mm", "recoat_s", "layer_heat_s", "layer_mm", "hatch_mm", "scan_speed_mm_s",
           "contour_speed_mm_s", "contours", "jump_speed_mm_s", "jump_delay_s", "lasers", "start_sequence_min")  # fmt: skip


@pytest.mark.slow
def test_no_patch_gets_under_a_least_time():
    before = {material: least_of(shop_from_text(BASE), material) for material in MACHINE}
    assert {stage for found in before.values() for stage in found} >= set(keys.FLOOR_OF_STAGE)
    tried, refused, under = 0, 0, []
    for material, patch in attacks():
        tried += 1
        try:
            changed = patched(BASE, patch)
            after = least_of(changed, material)
        except CalibError:
            refused += 1
            continue
        is_smaller = any(f"\n{key} =" in patch for key in SMALLER)
        for stage, (floor, minutes) in before[material].items():
            sheet = max((changed.materials[material].floors.get(keys.FLOOR_OF_STAGE[stage]) or 0), 0)
            shorter = stage == "cool_down" and not is_smaller and after[stage][1] < minutes - 1e-6
            lower = (not is_smaller and after[stage][0] < floor - 1e-6) or after[stage][1] < sheet - 1e-6
            if shorter or lower:
                under.append((patch, stage, floor, minutes, after[stage]))
    print(f"{tried} patches, {refused} refused, {len(under)} below a least time")
    assert not under, under[:5]
    assert tried > 600
    assert refused < tried


@pytest.mark.parametrize(
    ("patch", "sentence"),
    [
        ('[[material]]\nid = "tough-resin"\ncure_floor_min = 1\n', "goes under the data sheet's 60"),
        ('[[material]]\nid = "pa12"\nopen_c = 150\n', "open_c: 150 for 50 would shorten its cool-down"),
        ('[[material]]\nid = "PA 12"\npowder_k_w_m_k = 0.5\n', "powder_k_w_m_k: 0.5 for 0.1 would shorten"),
        ('[[machine]]\nid = "pbf-1"\nfilm_w_m2_k = 90\n', "film_w_m2_k: 90 for 8 would shorten"),
        ('[[material]]\nid = "pa12"\nremove = true\n[[machine]]\nid = "pbf1"\nmaterials = []\n', "goes away with its least"),
    ],
)  # fmt: skip
def test_what_is_refused_is_said_with_its_reason(patch, sentence):
    with pytest.raises(ShopFileError, match=re.escape(sentence)):
        patched(BASE, patch)


def test_an_unstated_limit_may_not_be_stated_above_the_usual_opening_temperature():
    silent = BASE.replace("cool_to_c = 50\n", "")
    with pytest.raises(ShopFileError, match="cool_to_c: 120 for 50 would shorten"):
        patched(silent, '[[material]]\nid = "pa12"\ncool_to_c = 120\n')
    assert patched(silent, '[[material]]\nid = "pa12"\ncool_to_c = 45\n').materials["pa12"].floors["cool_to_c"] == 45


def test_a_name_that_could_be_two_of_the_shop_is_asked_for():
    two = BASE + '[[material]]\nid = "PA-12"\nprocess = "PBF"\n'
    with pytest.raises(ShopFileError, match='"pa 12" could be pa12 or PA-12'):
        patched(two, '[[material]]\nid = "pa 12"\nfresh_share = 0.3\n')


def test_a_new_material_or_machine_is_marked_by_what_only_the_patch_states():
    today = shop_from_text(BASE)
    quick = '[[material]]\nid = "quick"\nprocess = "VPP"\ncure_floor_min = 1\nfloor_source = "x"\n'
    bare = '[[material]]\nid = "bare"\nprocess = "PBF"\n'
    fan = '[[machine]]\nid = "fan"\nprocess = "PBF"\nbuild_mm = [165, 165, 300]\nfilm_w_m2_k = 90\n'
    (first,) = stated_by_patch(today, patched(BASE, quick))
    assert first.startswith('LOOK FIRST: only the patch states cure_floor_min 1 of material "quick"')
    assert "no least time" in stated_by_patch(today, patched(BASE, bare))[0]
    assert "film_w_m2_k 90 (usual 8)" in stated_by_patch(today, patched(BASE, fan))[0]
    assert stated_by_patch(today, patched(BASE, fan.replace("film_w_m2_k = 90\n", ""))) == []
