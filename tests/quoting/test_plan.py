"""Quotes: the arithmetic by hand, the laws, the document, and one sentence for what cannot be."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.errors import NoPlanError, UsageError
from calib.quoting.compare import compare
from calib.quoting.document import quote
from calib.quoting.flow import QueuedBuild
from calib.quoting.learned import Learned, Unwritten
from calib.quoting.options import _turns
from calib.shop.patch import patched
from calib.shop.template import shop_text

LEARNED = {"learned": Learned(Calibrator(prior_only=True), Waits(), Failures()), "draws": 400}


def option_of(document, machine):
    return next(one for one in document["options"] if one["machine"] == machine)


def test_one_machine_no_calendar_no_spread_is_the_sum(box, always_open, request_for, certain, plain_physics):
    found = option_of(quote(request_for(1), always_open, [box], Learned(certain), draws=50), "mex1")
    stages = len(found["stages"])
    assert found["work_min"] == dict.fromkeys(("p10", "p50", "p90"), 70 + 6 * (stages - 1))
    assert found["lead_time_h"]["p50"] == pytest.approx((70 + 6 * (stages - 1)) / 60, abs=1e-4)
    assert found["first_part_h"] == found["lead_time_h"]


class Unsure(Calibrator):
    """One run of packing that was 100 times its baseline, and no other: as a forgotten timer teaches it."""

    def predict(self, rows, quantiles=(0.1, 0.5, 0.9)):
        return super().predict(rows.assign(prior_sd=rows["prior_sd"].where(rows["stage"] != "packing", 5.0)), quantiles)


def test_a_stage_of_which_next_to_nothing_is_known_stops_no_quote(box, shop, request_for):
    asked = request_for(3, processes=("MEX",))
    found = option_of(
        quote(asked, shop, [box], Learned(Unsure(prior_only=True), Waits(), Failures()), draws=4000), "mex1"
    )
    packing = next(one for one in found["stages"] if one["stage"] == "packing")
    assert packing["p90_min"] > 100 * packing["p50_min"]
    assert found["lead_time_h"]["p90"] < 100 * 24 * 5


def test_two_builds_in_a_row_by_hand(box, always_open, request_for, certain, plain_physics):
    # one plate more: the second build is set up when the first has left the machine
    one = option_of(quote(request_for(1), always_open, [box], Learned(certain), draws=50), "mex1")
    full = option_of(quote(request_for(200), always_open, [box], Learned(certain), draws=50), "mex1")
    capacity, builds = full["parts_per_build"], full["builds"]
    on_machine = sum(1 for stage in full["stages"] if stage["stage"] in
                     ("machine_setup", "warm_up", "cool_down", "unloading", "machine_cleaning"))  # fmt: skip
    last = 200 - capacity * (builds - 1)
    busy = (builds - 1) * (60 + 10 * capacity + 6 * on_machine)
    assert full["lead_time_h"]["p50"] * 60 == pytest.approx(
        busy + one["lead_time_h"]["p50"] * 60 + 10 * (last - 1), abs=0.01
    )


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sets(st.integers(1, 80), min_size=5, max_size=5))
def test_more_pieces_are_never_sooner_on_a_machine(box, shop, request_for, plain_physics, quantities):
    """By the day that is promised; in the same pose by every hour: of poses with one such day the cheaper is taken."""
    found = [quote(request_for(quantity), shop, [box], **LEARNED) for quantity in sorted(quantities)]
    for fewer, greater in pairwise(found):
        for one in fewer["options"]:
            if "+" not in one["machine"]:
                other = option_of(greater, one["machine"])
                assert other["promised_at"] >= one["promised_at"]
                for name in ("p10", "p50", "p90") if other["poses"] == one["poses"] else ():
                    assert other["lead_time_h"][name] >= one["lead_time_h"][name] - 1e-3


@pytest.mark.parametrize("quantity", [1, 17, 40])
def test_another_machine_is_never_later(box, shop, request_for, plain_physics, quantity):
    second = replace(shop.machines["mex1"], id="mex2")
    larger = replace(shop, machines={**shop.machines, "mex2": second})
    one, two = (quote(request_for(quantity, processes=("MEX",)), lab, [box], **LEARNED) for lab in (shop, larger))
    assert two["options"][0]["lead_time_h"]["p50"] <= one["options"][0]["lead_time_h"]["p50"] + 1e-6


def test_a_higher_chance_is_never_earlier_and_agrees_with_the_due_date(box, shop, request_for, plain_physics):
    dates = []
    for sure in (0.5, 0.8, 0.9, 0.99):
        found = quote(request_for(12, sure=sure), shop, [box], **LEARNED)
        first = found["options"][0]
        dates.append(datetime.fromisoformat(first["promised_at"]))
        kept = quote(request_for(12, due=dates[-1]), shop, [box], **LEARNED)
        assert option_of(kept, first["machine"])["on_time"] == pytest.approx(first["promise_chance"], abs=1e-4)
        assert first["promise_chance"] >= sure
        ranked = [datetime.fromisoformat(one["promised_at"]) for one in found["options"]]
        assert ranked == sorted(ranked)
    assert dates == sorted(dates)


def test_the_same_seed_is_the_same_quote_and_another_is_not(box, shop, request_for, plain_physics):
    first, again, other = (quote(request_for(5), shop, [box], seed=seed, **LEARNED) for seed in (4, 4, 5))
    assert json.dumps(first) == json.dumps(again)
    assert first["options"][0]["work_min"] != other["options"][0]["work_min"]


def test_the_queue_makes_its_machine_wait_and_no_other(box, always_open, request_for, certain, plain_physics):
    rows = pd.DataFrame({"stage": ["printing"], "baseline_min": [600.0], "touch_min": [0.0], "floor_min": [0.0], "fillings": [0.0],
                         "prior_sd": [1e-9], "basis": ["volume"]})  # fmt: skip
    ahead = QueuedBuild("b9", "MEX", "mex1", "pla", rows, elapsed_min=0.0)
    free, busy = (
        quote(request_for(1), always_open, [box], Learned(certain), queue, draws=50) for queue in ((), (ahead,))
    )
    before = 60 * option_of(free, "mex1")["lead_time_h"]["p50"]
    prepared = 12  # design and file are done while the machine is still busy
    assert 60 * option_of(busy, "mex1")["lead_time_h"]["p50"] == pytest.approx(before + 600 - prepared, abs=2)
    assert option_of(busy, "vpp1")["lead_time_h"] == option_of(free, "vpp1")["lead_time_h"]


def test_a_document_has_the_keys_of_the_interface_and_is_json(box, shop, request_for):
    document = quote(request_for(3, due=request_for(1).start + timedelta(days=3)), shop, [box], **LEARNED)
    json.dumps(document, allow_nan=False)
    keys = {"part", "quantity", "level", "options", "out", "soonest", "valid_until"}
    assert keys <= set(document)
    option = {"process", "machine", "material", "builds", "parts_per_build", "stages", "work_min", "touch_min",
              "lead_time_h", "first_part_h", "ready_at", "on_time", "cost", "warnings"}  # fmt: skip
    assert all(option <= set(one) for one in document["options"])
    assert {one["process"] for one in document["options"]} == {"MEX", "VPP", "PBF"}
    assert document["valid_until"] == "2026-12-02"  # five working days after Wednesday 25 November


def test_the_shops_own_level_widens_the_range_beside_p10_and_p90(box, shop, request_for):
    usual, wide = (quote(request_for(3, level=level), shop, [box], **LEARNED)["options"][0] for level in (0.8, 0.95))
    assert (usual["ready_within"]["from"], usual["ready_within"]["to"]) == (
        usual["ready_at"]["p10"],
        usual["ready_at"]["p90"],
    )
    assert wide["ready_at"] == usual["ready_at"]
    assert wide["ready_within"]["from"] <= usual["ready_within"]["from"]
    assert wide["ready_within"]["to"] > usual["ready_within"]["to"]


def test_stages_are_never_below_a_floor(box, shop, request_for):
    resin = shop.materials["resin"]
    held = replace(
        shop, materials={**shop.materials, "resin": replace(resin, floors={**resin.floors, "cure_floor_min": 90.0})}
    )
    found = option_of(quote(request_for(1), held, [box], **LEARNED), "vpp1")
    assert next(one for one in found["stages"] if one["stage"] == "post_curing")["p10_min"] >= 90


@pytest.mark.parametrize(
    ("change", "error", "text"),
    [
        ({"quantity": 0}, UsageError, "quantity 0 cannot be quoted: 1 to 100000 parts expected"),
        ({"quantity": 10**7}, UsageError, "quantity 10000000 cannot be quoted"),
        ({"finish": "blastd"}, UsageError, 'unknown finish "blastd".*Did you mean "blasted"'),
        ({"difficulty": "odd"}, UsageError, 'unknown difficulty "odd"'),
        ({"sure": 1.0}, UsageError, "sure 1.0 is not a chance"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(box, shop, request_for, change, error, text):
    asked = request_for(**{"quantity": 1, **change})
    with pytest.raises(error, match=text):
        quote(asked, shop, [box], **LEARNED)


def test_a_due_date_before_the_start_is_one_sentence(box, shop, request_for):
    early = request_for(1).start - timedelta(hours=1)
    with pytest.raises(UsageError, match="is not after the start"):
        quote(request_for(1, due=early), shop, [box], **LEARNED)


def test_what_nobody_can_do_says_one_reason_once(box, shop, request_for):
    sanders = replace(shop, crews={"lab": replace(shop.crews["lab"], stages=("sanding",))})
    with pytest.raises(NoPlanError, match=r"box\.stl\. mex1, vpp1, pbf1: no crew does \"design_adaptation\": add it"):
        quote(request_for(1), sanders, [box], **LEARNED)


def test_machines_of_one_process_may_have_routes_of_their_own(box, shop, request_for):
    # the second extruder runs a filament that is dried first, the first one's is not
    dried = replace(shop.materials["pla"], id="pa", params={**shop.materials["pla"].params, "drying_min": 240.0})
    second = replace(shop.machines["mex1"], id="mex2", materials=("pa",))
    lab = replace(shop, machines={**shop.machines, "mex2": second}, materials={**shop.materials, "pa": dried})
    document = quote(request_for(3, processes=("MEX",)), lab, [box], **LEARNED)
    stages = {one["machine"]: [stage["stage"] for stage in one["stages"]] for one in document["options"]}
    assert "material_drying" in stages["mex2"]
    assert "material_drying" not in stages["mex1"]


def test_what_fits_nowhere_says_one_reason_once(box, shop, request_for):
    small = {name: replace(machine, build_mm=(30.0, 30.0, 30.0)) for name, machine in shop.machines.items()}
    with pytest.raises(NoPlanError, match=r"No machine of the shop can make box\.stl\. mex1, vpp1, pbf1: too large"):
        quote(request_for(1), replace(shop, machines=small), [box], **LEARNED)


def test_needs_put_a_material_out_with_the_reason(box, shop, request_for):
    stated = {name: replace(one, fit_for=("snap",) if name == "pa12" else ()) for name, one in shop.materials.items()}
    document = quote(request_for(1, needs=("snap",)), replace(shop, materials=stated), [box], **LEARNED)
    assert [one["machine"] for one in document["options"]] == ["pbf1"]
    assert "pla is not stated as snap" in next(one for one in document["out"] if one["machine"] == "mex1")["reason"]


def test_comparison_never_shows_more_pieces_sooner(box, shop, request_for):
    document = compare(request_for(1), [1, 2, 5, 12, 30], shop, box, **{**LEARNED, "draws": 300})
    json.dumps(document, allow_nan=False)
    assert document["quantities"] == [1, 2, 5, 12, 30]
    for line in document["options"]:
        for name in ("p10", "p50", "p90"):
            hours = [one[name] for one in line["lead_time_h"]]
            assert hours == sorted(hours)


def test_a_small_powder_order_rides_along_or_goes_alone(box, shop, request_for):
    closing = replace(shop, machines={**shop.machines, "pbf1": replace(shop.machines["pbf1"], cutoffs=("Tue 16:00",))})
    options = quote(request_for(1), closing, [box], **LEARNED)["options"]
    in_shared_build = {one["ride"]: one for one in options if one["machine"] == "pbf1"}
    tuesday = datetime.fromisoformat("2026-12-01T16:00+01:00")
    assert datetime.fromisoformat(in_shared_build["along"]["ready_at"]["p10"]) > tuesday
    assert datetime.fromisoformat(in_shared_build["alone"]["ready_at"]["p50"]) < tuesday
    assert "closed Tue 16:00" in in_shared_build["along"]["warnings"][0]


def test_no_unattended_start_in_the_evening(box, shop, request_for, certain, plain_physics):
    late = replace(request_for(1), start=request_for(1).start.replace(hour=15, minute=30))
    limited = replace(shop, quoting={**shop.quoting, "no_unattended_start_after": "15:00"})
    free, held = (option_of(quote(late, lab, [box], Learned(certain), draws=50), "mex1") for lab in (shop, limited))
    assert held["ready_at"]["p50"] > free["ready_at"]["p50"]


def test_outside_stands_beside_with_its_own_basis(box, shop, request_for):
    supplier = {"id": "north works", "process": None, "days": 5.0, "days_late": 8.0, "price_per_part": 12.0}
    stated = replace(shop, quoting={**shop.quoting, "outside": [supplier]})
    (outside,) = quote(request_for(10), stated, [box], **LEARNED)["outside"]
    assert outside["ready_at"] == "2026-12-02T17:00+01:00"  # five working days after Wednesday 25 November
    assert outside["late_at"] == "2026-12-07T17:00+01:00"
    assert outside["price"] == 120.0


@pytest.mark.parametrize("quantity", [30, 90])
def test_machines_of_different_kinds_and_sizes_share_an_order(
    box, always_open, request_for, certain, plain_physics, quantity
):
    one = always_open.machines["vpp1"]
    size = [2 * one.build_mm[0], *one.build_mm[1:]]
    more = f'[[machine]]\nid = "vpp2"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = {size}\nmaterials = {list(one.materials)}\n'
    second = patched(shop_text("Europe/Berlin"), more).machines["vpp2"]
    lab = replace(always_open, machines={"vpp1": one, "vpp2": second})
    found = quote(request_for(quantity, processes=("VPP",)), lab, [box], Learned(certain), draws=50)
    lead = {option["machine"]: option["lead_time_h"]["p50"] for option in found["options"]}
    assert lead["vpp1+vpp2"] < 0.75 * min(lead["vpp1"], lead["vpp2"])
    assert found["options"][0]["machine"] == "vpp1+vpp2"


def test_turns_are_each_once_and_one_more_for_each_make(shop):
    slow, fast = shop.machines["mex1"], replace(shop.machines["mex1"], build_mm=(400.0, 400.0, 400.0))
    alike = [slow, replace(slow, id="mex2", owned=False)]
    assert list(_turns(alike)) == [[0, 1]]
    assert list(_turns([*alike, fast])) == [[0, 1, 2], [0, 1, 2, 0, 1], [0, 1, 2, 2]]


def test_the_physics_of_a_stage_that_nobody_logs_stays_its_baseline_and_its_minutes_are_said_to_be_from_gaps(
    always_open, box, request_for, certain, plain_physics
):
    learned = Learned(certain, silent={("MEX", "warm_up"): Unwritten(0.0)})
    found = option_of(quote(request_for(1), always_open, [box], learned, draws=50), "mex1")
    stages = {stage["stage"]: stage for stage in found["stages"]}
    assert stages["warm_up"]["baseline_min"] == stages["packing"]["baseline_min"] == 6.0
    assert stages["warm_up"]["p50_min"] == pytest.approx(0.0, abs=1e-3)
    assert [stage["stage"] for stage in found["stages"] if stage["from_gaps"]] == ["warm_up"]
