"""Build times, rates and terms that studies and standards publish, against the shipped default shop."""

from __future__ import annotations

import numpy as np
import pytest

from calib.baseline.build import build_minutes, explain
from calib.baseline.mex import LAID
from calib.baseline.motion import bead_section_mm2
from calib.records import PROCESS_WORDS, PROCESSES
from calib.shop.keys import material_defaults
from calib.shop.patch import patched
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

SHOP = shop_from_text(shop_text("UTC"))
SCANNED = '[[machine]]\nid = "scan"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = [250, 250, 250]\n'


def arrays(**columns):
    return {name: np.array([value], object if isinstance(value, str) else float) for name, value in columns.items()}


def on_machine_h(shop=SHOP, **columns):
    base = build_minutes(arrays(**columns), shop)
    return base.minutes[np.isin(base.stage, ["warm_up", "printing"])].sum() / 60


# ISO/ASTM 52900:2021, table in Polymers 2022, 14(1):180: a vocabulary, no time hangs on it
def test_process_categories_have_the_standard_s_names():
    assert set(PROCESSES.values()) == {"material extrusion", "vat photopolymerization", "powder bed fusion"}
    assert all(PROCESS_WORDS[words] == code for code, words in PROCESSES.items())


# Gibson, Rosen, Stucker 2015, eq. 16.7 and 16.8, on inputs of ours: a sum, which no other physics would fail
def test_transitions_between_layers_add_up():
    # 50 layers at 12 s and 700 layers at 15 s: 11,100 s
    seconds = 0.0
    for layers, each in ((50, 12.0), (700, 15.0)):
        shop = patched(shop_text("UTC"), f"{SCANNED}layer_mm = 0.1\nsettle_s = 1\nrecoat_s = {each - 1}\n")
        row = arrays(process="VPP", machine="scan", parts=1.0, part_volume_cm3=1.0, height_mm=layers / 10)
        seconds += 60 * next(t.minutes for t in explain(row, shop) if t.name == "settling, tilt, recoat")
    assert seconds == pytest.approx(11_100)


# Go, Schiffres, Stevens, Hart 2017, Addit. Manuf. 16:1-11, "tens of cm3/h" at 0.2 mm layers: an order of size
@pytest.mark.parametrize("infill", [0.2, 1.0])
def test_extrusion_lays_tens_of_cubic_centimetres_an_hour(infill):
    row = arrays(process="MEX", machine="mex1", parts=1.0, part_volume_cm3=60.0, part_area_cm2=110.0, height_mm=40.0,
                 infill=infill, support_volume_cm3=0.0)  # fmt: skip
    printing = [t for t in explain(row, SHOP) if t.stage == "printing"]
    bead = float(bead_section_mm2(0.44, 0.2))
    laid = sum(t.inputs["length_mm"] * bead for t in printing if t.name in LAID)
    assert 10 <= laid / 1000 / (sum(t.minutes for t in printing) / 60) <= 99


@pytest.mark.outside("Mielicki, Gronhoff, Wortberg 2014, AIP Conf. Proc.: PA12 bed near 174 degC", "seen")
def test_the_default_powder_bed_is_as_warm_as_published():
    assert material_defaults("PBF")["powder_bed_c"] == pytest.approx(174.0, abs=5.0)


# Hopkinson and Dickens 2003, Proc. IMechE C 217:31-39, from memory: a lever of three processes, their order alone
def test_full_builds_of_a_small_lever_rank_as_in_the_cost_study():
    # 190, 75 and 1056 levers in 26.8, 67.27 and 59.78 h: 7.1, 1.1 and 17.7 an hour by stereolithography, extrusion and
    # sintering. Machines of today are faster: the order and the least factor are compared, not the hours. The lever's
    # size is not published here: 2.5 cm3, 20 cm2 and 36 mm are ours.
    lever = {"part_volume_cm3": 2.5, "part_area_cm2": 20.0}
    scanned = patched(shop_text("UTC"), SCANNED)
    large = patched(shop_text("UTC"), '[[machine]]\nid = "pbf1"\nbuild_mm = [340, 340, 600]\n')

    def each_hour(shop, process, machine, parts, height_mm):
        whole = {name: value * parts for name, value in lever.items()}
        row = {"process": process, "machine": machine, "parts": parts, "height_mm": height_mm, **whole}
        return parts / on_machine_h(shop, **row)

    cured = each_hour(scanned, "VPP", "scan", 190.0, 36.0)
    extruded = each_hour(SHOP, "MEX", "mex1", 75.0, 36.0)
    sintered = each_hour(large, "PBF", "pbf1", 1056.0, 600.0)
    assert sintered > cured > extruded
    assert sintered > 3 * extruded
