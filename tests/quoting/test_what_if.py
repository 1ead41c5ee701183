"""What if: a change of the shop beside today's, with the same luck."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.errors import NoPlanError, ShopFileError, TooFewRunsError, UsageError
from calib.quoting.document import quote
from calib.quoting.flow import spread_over
from calib.quoting.learned import Learned
from calib.quoting.plan import plan_options
from calib.quoting.shape import ShapeFinder
from calib.quoting.what_if import compared, on_site, soonest_pair
from calib.records import ROUTES
from calib.safety import FOLLOW
from calib.shop.patch import patched
from calib.shop.template import shop_text
from calib.workflow.order import QuoteAsk
from calib.workflow.what_if import what_if_order, what_if_weeks

LEARNED = Learned(Calibrator(prior_only=True), Waits(), Failures())
START = "2026-11-25T11:00"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "shop.toml").write_text(shop_text("Europe/Berlin"), encoding="utf-8")
    return tmp_path


@pytest.fixture
def part(box, tmp_path):
    record = np.zeros(len(box.triangles), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("rest", "<u2")])
    record["corner"] = box.triangles
    path = tmp_path / "box.stl"
    path.write_bytes(b" " * 80 + np.uint32(len(record)).tobytes() + record.tobytes())
    return path


def asked(folder, part, quantity, patch, **more):
    return what_if_order(folder, part, quantity, patch, QuoteAsk(start=START, **more))


def option(document, machine):
    return next(one for one in document["options"] if one["machine"] == machine)


def test_no_change_gains_nothing(folder, part):
    found = asked(
        folder,
        part,
        20,
        '[shop]\nname = "the same"\n',
        processes=(
            "MEX",
            "VPP",
        ),
    )
    json.dumps(found, allow_nan=False)
    assert found["soonest"]["sooner_h"] == {"p10": 0, "p50": 0, "p90": 0}
    assert all(one["chance_sooner"] == one["chance_later"] == 0 for one in found["options"])
    assert found["on_site"] == []


def test_an_automated_washer_takes_hands_away_and_leaves_other_processes_as_they_were(folder, part):
    found = asked(folder, part, 20, '[[station]]\nid = "wash"\nautomatic_share = 0.9\nhands_min = 1\n')
    resin, powder = option(found, "vpp1"), option(found, "pbf1")
    assert resin["changed"]["touch_min"]["p50"] < resin["today"]["touch_min"]["p50"]
    assert powder["changed"] == powder["today"]


def test_a_second_machine_is_sooner_where_one_is_full(folder, part):
    second = '[[machine]]\nid = "vpp2"\nprocess = "VPP"\nkind = "masked"\nbuild_mm = {size}\nmaterials = ["resin"]\n'
    text = (folder / "shop.toml").read_text(encoding="utf-8")
    size = next(line for line in text.split('id = "vpp1"')[1].splitlines() if line.startswith("build_mm"))
    found = asked(folder, part, 80, second.format(size=size.split("=")[1].split("#")[0]), processes=("VPP",))
    assert found["soonest"]["chance_sooner"] > 0.9
    assert found["soonest"]["chance_later"] < 0.02
    assert found["soonest"]["changed"]["machine"] == "vpp1+vpp2"


def test_a_removable_chamber_is_never_later_and_sooner_for_several_builds(folder, part):
    one, many = (
        asked(folder, part, q, '[[machine]]\nid = "pbf1"\nchambers = 2\n', processes=("PBF",)) for q in (1, 900)
    )
    assert one["soonest"]["sooner_h"]["p90"] <= 1e-6
    assert many["soonest"]["changed"]["builds"] > 1
    assert many["soonest"]["chance_sooner"] > 0.9
    assert many["soonest"]["chance_later"] < 0.001


def test_a_night_shift_names_who_must_be_there_and_the_cautions(folder, part):
    found = asked(folder, part, 20, '[hours]\nmon = "06:00-23:00"\ntue = "06:00-23:00"\n')
    assert "Mon 06:00-23:00; Tue 06:00-23:00: on site must be people of lab (2)" in found["on_site"][0]
    assert any("gloves" in line for line in found["on_site"])
    assert found["soonest"]["chance_later"] < 0.02


def test_a_night_that_is_a_crews_own_is_told_too(shop):
    night = replace(shop.crews["lab"], id="night", hours=(((1320, 1440),), *((),) * 6))
    answer = on_site(shop, replace(shop, crews={**shop.crews, "night": night}), [("MEX", "unloading")])
    assert answer[0].startswith("Open longer on Mon 22:00-24:00:") and "night" in answer[0]
    assert any(line.startswith("MEX unloading: Hot nozzle") for line in answer[1:])


def test_printing_unattended_is_told(shop):
    watched = replace(shop, machines={**shop.machines, "mex1": replace(shop.machines["mex1"], lights_out=False)})
    line, follow = on_site(watched, shop, [("MEX", "printing")])
    assert line.startswith("mex1 would print with nobody there. Hot nozzle and bed, fumes, fire")
    assert follow == FOLLOW


@pytest.mark.parametrize(("process", "hazard"), [("VPP", "UV light"), ("PBF", "dust")])
def test_a_process_that_is_new_to_the_lab_comes_with_its_cautions(shop, process, hazard):
    kept = {name: machine for name, machine in shop.machines.items() if machine.process != process}
    stages = [(one, stage) for one in ("MEX", process) for stage in ROUTES[one]]
    answer = on_site(replace(shop, machines=kept), shop, stages)
    assert answer[0].startswith(f"{process} would be new here")
    assert any(line.startswith(f"{process} ") and hazard in line for line in answer[1:])
    assert not any(line.startswith("MEX ") for line in answer)
    assert on_site(shop, shop, stages) == []


def test_a_process_not_owned_yet_stands_beside_today(folder, part):
    patch = '[[machine]]\nid = "thought-of"\nprocess = "PBF"\nkind = "laser_bed"\nbuild_mm = [340, 340, 600]\n' \
            'materials = ["pa12"]\nowned = false\n'  # fmt: skip
    found = asked(folder, part, 300, patch, processes=("PBF",))
    new = option(found, "thought-of")
    assert new["today"] is None
    assert new["changed"]["lead_time_h"]["p50"] > 0
    assert new["sooner_h"] is None
    assert found["warnings"][-1] == "Not owned, so nothing was learned of it: thought-of."


def test_no_what_if_goes_under_a_floor(folder, part, box, request_for):
    text = (
        (folder / "shop.toml")
        .read_text(encoding="utf-8")
        .replace('id = "resin"', 'id = "resin"\ncure_floor_min = 30\nfloor_source = "data sheet"')
    )
    (folder / "shop.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ShopFileError, match="goes under the data sheet's 30"):
        asked(folder, part, 5, '[[material]]\nid = "resin"\ncure_floor_min = 5\n')
    hurried = patched(folder, '[[station]]\nid = "cure"\nrecipe_min = 1\n')
    found = quote(request_for(5, processes=("VPP",)), hurried, [box], LEARNED, draws=300)
    assert next(one for one in found["options"][0]["stages"] if one["stage"] == "post_curing")["p10_min"] >= 30


def test_what_cannot_be_asked_is_one_sentence(folder, part):
    with pytest.raises(UsageError, match="How many parts is not said"):
        asked(folder, part, None, "")
    with pytest.raises(ShopFileError, match='no machine "mex9" to remove'):
        asked(folder, part, 1, '[[machine]]\nid = "mex9"\nremove = true\n')
    everything = "".join(f'[[machine]]\nid = "{name}"\nremove = true\n' for name in ("mex1", "vpp1", "pbf1"))
    with pytest.raises(NoPlanError, match="lists no machine"):
        asked(folder, part, 1, everything)
    with pytest.raises(TooFewRunsError, match="Nothing is logged yet"):
        what_if_weeks(folder, "")


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 150), st.sampled_from(["mex1", "vpp1", "pbf1"]))
def test_another_machine_is_never_later(box, shop, request_for, plain_physics, quantity, name):
    larger = replace(shop, machines={**shop.machines, "another": replace(shop.machines[name], id="another")})
    asked_for = request_for(quantity, processes=(shop.machines[name].process,))
    shapes = [ShapeFinder(box)]
    today, changed = (plan_options(asked_for, lab, shapes, LEARNED, (), 0, 400)[0] for lab in (shop, larger))
    found = soonest_pair(today, changed)
    assert found["changed"]["lead_time_h"]["p50"] <= found["today"]["lead_time_h"]["p50"] + 1e-6
    same = next(one for one in compared(today, changed) if one["machine"] == name)
    assert same["changed"] == same["today"]


def test_builds_go_to_the_machine_that_is_free_first_and_fits(shop):
    low = replace(shop.machines["mex1"], id="low", build_mm=(200.0, 200.0, 30.0))
    build = {"process": "MEX", "machine": "mex1", "material": "pla", "height_mm": 20.0}
    builds = [build, build, {**build, "height_mm": 90.0}, {**build, "machine": "gone"}]
    machines = [shop.machines["mex1"], low, shop.machines["pbf1"]]
    assert spread_over(builds, [0, 1, 2, 3], [100, 50, 10, 5], machines) == ["mex1", "low", "mex1", "low"]
