"""Builds -> minutes of every stage: laws, bases, floors, explanations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from default_shop import MACHINES, SHOP, box, columns, minutes
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.baseline.build import build_minutes, explain, laid_cm3, stages_of
from calib.baseline.build_inputs import read_builds
from calib.baseline.mex import LAID
from calib.baseline.motion import bead_section_mm2
from calib.errors import OutsideModelError
from calib.geometry.layer_profile import layer_profile
from calib.records import STAGES
from calib.shop.patch import patched
from calib.shop.template import shop_text

PROCESS = st.sampled_from(sorted(MACHINES))
KNOWN = {
    "part_volume_cm3": st.floats(0.1, 2000.0),
    "part_area_cm2": st.floats(1.0, 5000.0),
    "height_mm": st.floats(1.0, 400.0),
    "announced_min": st.floats(1.0, 3000.0),
    "material_g": st.floats(0.5, 2000.0),
    "layers": st.integers(5, 4000).map(float),
    "support_contact_cm2": st.floats(0.0, 100.0),
    "support_volume_cm3": st.floats(0.0, 100.0),
    "packed_volume_cm3": st.floats(100.0, 8000.0),
    "layer_mm": st.floats(0.02, 0.4),
    "infill": st.floats(0.0, 1.0),
}
ROWS = st.fixed_dictionaries({"process": PROCESS, "parts": st.integers(1, 200).map(float)}, optional=KNOWN)


def cylinder(radius, height, faces):
    """A cylinder of so many sides that stands on the plate."""
    a = 2 * np.pi * np.arange(faces) / faces
    ring = np.stack([radius * np.cos(a), radius * np.sin(a), np.zeros(faces)], axis=1)
    after, up = np.roll(ring, -1, axis=0), np.array([0, 0, height])
    low, top = np.zeros((faces, 3)), np.tile(up, (faces, 1))
    pieces = [
        (ring, after, after + up),
        (ring, after + up, ring + up),
        (low, after, ring),
        (top, ring + up, after + up),
    ]
    return np.concatenate([np.stack(piece, axis=1) for piece in pieces])


def one(row):
    return columns(machine=MACHINES[row["process"]], **row)


@settings(max_examples=60, deadline=None)
@given(ROWS)
def test_every_stage_of_the_process_has_minutes_and_hands_within_them(row):
    base = build_minutes(one(row), SHOP)
    assert set(base.stage) == set(stages_of(row["process"], SHOP))
    assert set(base.stage) >= {name for name, stage in STAGES.items() if row["process"] in stage.processes}
    assert np.all(np.isfinite(base.minutes) & (base.minutes > 0))
    assert np.all((base.touch_min >= 0) & (base.touch_min <= base.minutes))
    assert np.all(base.prior_sd > 0)


@settings(max_examples=60, deadline=None)
@given(ROWS)
def test_explained_terms_add_up_to_the_minutes(row):
    base = build_minutes(one(row), SHOP)
    summed = {}
    for term in explain(one(row), SHOP):
        summed[term.stage] = summed.get(term.stage, 0.0) + term.minutes
        assert term.source
        assert term.formula
    for stage, value in zip(base.stage, base.minutes, strict=True):
        assert summed[stage] == pytest.approx(value, rel=1e-9, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(PROCESS, st.floats(0.5, 400.0), st.floats(2.0, 200.0), st.floats(1.01, 3.0))
def test_a_taller_build_of_the_same_section_is_never_faster(process, volume, height, taller):
    spans = [1.0, taller]
    rows = columns(process=process, machine=MACHINES[process], parts=1.0, part_volume_cm3=[volume * s for s in spans],
                   part_area_cm2=[1.0 * volume * s for s in spans], height_mm=[height * s for s in spans])  # fmt: skip
    base = build_minutes(rows, SHOP)
    on_machine = np.isin(base.stage, ["warm_up", "printing", "cool_down"])
    low, high = (base.minutes[on_machine & (base.build == i)].sum() for i in (0, 1))
    assert high >= low * (1 - 1e-3)


@settings(max_examples=60, deadline=None)
@given(PROCESS, st.floats(0.5, 100.0), st.floats(5.0, 150.0), st.integers(1, 20))
def test_two_parts_are_never_faster_than_one(process, volume, height, parts):
    counts = [float(parts), float(parts + 1)]
    rows = columns(process=process, machine=MACHINES[process], parts=counts, height_mm=height,
                   part_volume_cm3=[volume * n for n in counts])  # fmt: skip
    base = build_minutes(rows, SHOP)
    assert base.minutes[(base.build == 1) & (base.stage != "cool_down")].sum() >= (
        base.minutes[(base.build == 0) & (base.stage != "cool_down")].sum()
    )
    # a fuller cake conducts better, and leaves less powder to recover
    more = ~np.isin(base.stage, ["cool_down", "powder_recovery"])
    low, high = (base.minutes[more & (base.build == i)] for i in (0, 1))
    assert np.all(high >= low * (1 - 1e-9))


@given(st.floats(0.5, 500.0), st.floats(1.0, 20.0))
def test_masked_light_does_not_hang_on_how_full_the_plate_is(volume, factor):
    alone, full = (
        terms_of(process="VPP", parts=n, part_volume_cm3=volume * n, height_mm=60.0, support_volume_cm3=0.0)
        for n in (1.0, factor)
    )
    of_area = ("printing", "slower lift of large sections")
    for key in alone:
        if key[0] == "printing" and key != of_area:
            assert full[key].minutes == pytest.approx(alone[key].minutes)
    assert full[of_area].minutes == pytest.approx(factor * alone[of_area].minutes)


def test_transition_layers_fall_evenly_from_the_first_ones_exposure():
    terms = terms_of(process="VPP", parts=1.0, part_volume_cm3=8.0, height_mm=40.0)
    light_s = terms["printing", "light"].inputs["light_s"]
    machine = SHOP.machines["vpp1"].params
    count, factor = int(machine["transition_layers"]), machine["first_factor"]
    exposures = np.linspace(factor, 1.0, count + 2)[1:-1] * light_s
    assert terms["printing", "transition layers"].minutes == pytest.approx((exposures - light_s).sum() / 60)


def test_scanned_light_does():
    shop = patched(
        shop_text("UTC"), '[[machine]]\nid = "scan"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = [200, 200, 200]'
    )
    one_part, ten = (
        minutes(shop, process="VPP", machine="scan", parts=n, part_volume_cm3=10.0 * n, height_mm=60.0)["printing"]
        for n in (1.0, 10.0)
    )
    assert ten > 1.5 * one_part


@pytest.mark.parametrize("process", sorted(MACHINES))
def test_a_finer_mesh_of_the_same_solid_changes_nothing_beyond_its_chords(process):
    layer = SHOP.machines[MACHINES[process]].params["layer_mm"]
    found = [
        minutes(process=process, parts=1.0, profile=[layer_profile(cylinder(15.0, 20.0, faces), layer)])["printing"]
        for faces in (48, 96, 384)
    ]
    assert found[0] == pytest.approx(found[2], rel=0.01)
    assert found[1] == pytest.approx(found[2], rel=0.005)


@pytest.mark.parametrize("process", sorted(MACHINES))
def test_profile_and_volume_agree_on_a_box(process):
    layer = SHOP.machines[MACHINES[process]].params["layer_mm"]
    x, y, z = 30.0, 20.0, 40.0
    shape = {"part_volume_cm3": x * y * z / 1000, "part_area_cm2": 2 * (x * y + x * z + y * z) / 100, "height_mm": z}
    bare = {"support_volume_cm3": 0.0, "support_contact_cm2": 0.0}
    by_profile = minutes(process=process, parts=1.0, profile=[layer_profile(box(x, y, z), layer)], height_mm=z, **bare)
    by_volume = minutes(process=process, parts=1.0, **shape, **bare)
    assert by_profile["printing"] == pytest.approx(by_volume["printing"], rel=0.12)


LADDER = [
    ("count", {}),
    ("mass_layers", {"material_g": 30.0}),
    ("announced", {"material_g": 30.0, "announced_min": 200.0}),
    ("volume", {"announced_min": 200.0, "part_volume_cm3": 25.0, "height_mm": 40.0}),
]


@pytest.mark.parametrize(("basis", "known"), LADDER)
@pytest.mark.parametrize("process", sorted(MACHINES))
def test_best_basis_of_a_row(process, basis, known):
    base = build_minutes(columns(process=process, machine=MACHINES[process], parts=2.0, **known), SHOP)
    assert set(base.basis) == {basis}
    printing = base.minutes[base.stage == "printing"][0]
    assert basis != "announced" or printing == pytest.approx(200.0)


def test_printing_is_known_better_the_higher_the_basis():
    profile = layer_profile(box(20, 20, 20), 0.2)
    rows = [known for _, known in LADDER] + [{"profile": profile}]
    sds = []
    for known in rows:
        values = {name: [value] for name, value in known.items()}
        base = build_minutes(columns(process="MEX", machine="mex1", parts=1.0, **values), SHOP)
        sds.append(base.prior_sd[base.stage == "printing"][0])
    count, mass, announced, volume, by_profile = sds
    assert count > mass > volume > by_profile
    assert announced < mass


def test_rows_of_several_processes_come_sorted_by_build_and_equal_those_asked_alone():
    rows = columns(process=["PBF", "MEX", "VPP", "MEX"], machine=["pbf1", "mex1", "nobody", ""], parts=[3.0, 1.0, 2.0, 1.0],
                   material=["pa12", "petg", "", "unheard of"], part_volume_cm3=[40.0, None, 20.0, ""],
                   height_mm=[80.0, 30.0, 50.0, None])  # fmt: skip
    base = build_minutes(rows, SHOP)
    assert np.all(np.diff(base.build) >= 0)
    for i in range(4):
        alone = build_minutes({name: values[[i]] for name, values in rows.items()}, SHOP)
        assert base.minutes[base.build == i] == pytest.approx(alone.minutes, rel=1e-12)
        assert list(base.stage[base.build == i]) == list(alone.stage)


def test_no_builds_no_rows():
    assert len(build_minutes({"process": np.empty(0, object), "parts": np.empty(0)}, SHOP).minutes) == 0


def test_process_that_is_not_known():
    with pytest.raises(OutsideModelError, match='process "casting" is not known'):
        build_minutes(columns(process="casting", parts=1.0), SHOP)


FLOORS = """
[[material]]
id = "resin"
wash_floor_min = 20
cure_floor_min = 60
floor_source = "a test"
[[material]]
id = "pa12"
cool_floor_min = 1440
floor_source = "a test"
"""


def test_floors_of_the_data_sheet_hold_for_every_load_and_are_explained():
    shop = patched(shop_text("UTC"), FLOORS)
    rows = columns(process="VPP", machine="vpp1", parts=100.0, part_volume_cm3=100.0, height_mm=40.0)
    base = build_minutes(rows, shop)
    washing = base.stage == "washing"
    assert base.floor_min[washing] == pytest.approx(3 * 20.0)  # 40 parts a load
    curing = base.stage == "post_curing"
    assert base.minutes[curing] == pytest.approx(3 * 60.0)
    raised = [t for t in explain(rows, shop) if t.stage == "post_curing" and t.name == "up to the floor"]
    assert raised[0].minutes == pytest.approx(3 * (60 - 25 - 4))
    cooled = minutes(shop, process="PBF", parts=1.0, part_volume_cm3=5.0, height_mm=20.0)["cool_down"]
    assert cooled == pytest.approx(1440.0)


def test_an_unknown_floor_is_unknown_and_never_zero():
    base = build_minutes(columns(process=["VPP", "PBF"], machine=["vpp1", "pbf1"], parts=1.0), SHOP)
    for stage in ("washing", "drying", "post_curing", "cool_down"):
        assert np.all(np.isnan(base.floor_min[base.stage == stage]))
    assert np.all(base.floor_min[base.stage == "sanding"] == 0)


def test_a_changed_speed_does_not_rewrite_last_year():
    change = '[[machine]]\nid = "vpp1"\n[[machine.change]]\nsince = 2026-03-01\nlift_speed_mm_s = 0.5\n'
    shop = patched(shop_text("UTC"), change)
    rows = columns(process="VPP", machine="vpp1", parts=1.0, part_volume_cm3=20.0, height_mm=60.0,
                   at=["2026-02-28", "2026-03-01", ""])  # fmt: skip
    before, after, undated = build_minutes(rows, shop).minutes[build_minutes(rows, shop).stage == "printing"]
    as_it_was = minutes(process="VPP", parts=1.0, part_volume_cm3=20.0, height_mm=60.0)["printing"]
    assert before == pytest.approx(as_it_was)
    assert after == undated > before


def test_one_by_one_adds_up_whole_parts():
    shop = patched(shop_text("UTC"), '[[machine]]\nid = "mex1"\none_by_one = 1\n')
    profile = layer_profile(box(8, 8, 20), 0.2)  # small: the least layer time rules
    together, alone = (
        minutes(s, process="MEX", parts=4.0, profile=[profile], support_volume_cm3=0.0)["printing"]
        for s in (SHOP, shop)
    )
    assert alone > 1.5 * together


def test_a_stage_of_the_shop_s_own():
    patch = (
        "[rates.vapour_smoothing]\nrecipe_min = 90\nhands_min = 10\n"
        '[routes]\nMEX = ["printing", "cool_down", "rinsing", "drying", "vapour_smoothing"]\n'
    )
    found = minutes(patched(shop_text("UTC"), patch), process="MEX", parts=1.0)
    assert found["vapour_smoothing"] == pytest.approx(100.0)


def terms_of(shop=SHOP, **values):
    """Terms of one build by (stage, name)."""
    values.setdefault("machine", MACHINES[values["process"]])
    return {(t.stage, t.name): t for t in explain(columns(**values), shop)}


SHAPES = {"part_volume_cm3": 40.0, "part_area_cm2": 110.0, "height_mm": 40.0, "parts": 2.0}


@pytest.mark.parametrize("known", [SHAPES, {"profile": [layer_profile(box(20, 30, 40), 0.2)], "parts": 2.0}])
def test_an_engineer_can_reckon_each_term_of_extrusion_from_the_numbers_beside_it(known):
    terms = terms_of(process="MEX", support_volume_cm3=5.0, support_contact_cm2=3.0, **known)
    printing = {name: term for (stage, name), term in terms.items() if stage == "printing"}
    for name in LAID:
        i = printing[name].inputs
        assert printing[name].minutes == pytest.approx(i["length_mm"] / i["mean_speed_mm_s"] / 60)
        assert i["mean_speed_mm_s"] < 151  # melt rate over the bead's section
    for name, unit in (("travel", "jumps"), ("layer change", "layers")):
        i = printing[name].inputs
        assert printing[name].minutes == pytest.approx(i[unit] * i["each_s"] / 60)
    assert printing["layer change"].inputs["layers"] == pytest.approx(200)
    i = printing["first layer"].inputs
    slower = 1 / i["first_speed_mm_s"] - 1 / i["usual_speed_mm_s"]
    assert printing["first layer"].minutes == pytest.approx(i["length_mm"] * slower / 60)


def test_a_box_takes_the_lines_that_can_be_counted_by_hand():
    """20 x 30 x 40 mm, two of them, 200 layers: 2.5 walls round each, skins of four layers, a fifth of the rest."""
    spacing = float(bead_section_mm2(0.44, 0.2)) / 0.2
    terms = terms_of(process="MEX", profile=[layer_profile(box(20, 30, 40), 0.2)], parts=2.0, support_volume_cm3=0.0)
    assert terms["printing", "walls"].inputs["length_mm"] == pytest.approx(2 * 200 * 2.5 * 100)
    inside = 600 - 100 * 2.5 * spacing
    fill = 2 * (8 * inside + 192 * 0.2 * inside) / spacing
    assert terms["printing", "fill and skins"].inputs["length_mm"] == pytest.approx(fill)
    assert terms["printing", "first layer"].inputs["length_mm"] == pytest.approx(2 * 600 / spacing)


def test_the_first_layer_is_the_parts_own():
    """An inverted T, 60 x 60 x 2 mm below a rod: its first layer is the foot, not a mean section."""
    foot, rod = box(60, 60, 2), box(4, 4, 58) + np.array([28.0, 28.0, 2.0])
    terms = terms_of(process="MEX", profile=[layer_profile(np.concatenate([foot, rod]), 0.2)], parts=1.0)
    spacing = float(bead_section_mm2(0.44, 0.2)) / 0.2
    assert terms["printing", "first layer"].inputs["length_mm"] == pytest.approx(3600 / spacing)


def test_steep_flanks_need_no_skin_beside_their_walls():
    """A cone of 10 degrees: its walls cover what lies open; lines of fill are those of a prism with its section."""
    triangles = cylinder(20.0, 40.0, 96)
    triangles[..., :2] *= 1.0 - np.tan(np.deg2rad(10)) / 20.0 * triangles[..., 2:]
    cone = layer_profile(triangles, 0.2)
    flat = replace(cone, up_skin_mm2=0 * cone.up_skin_mm2, down_skin_mm2=0 * cone.down_skin_mm2)
    with_skin, without = (
        terms_of(process="MEX", profile=[p], parts=1.0, support_volume_cm3=0.0)["printing", "fill and skins"].minutes
        for p in (cone, flat)
    )
    caps = terms_of(process="MEX", profile=[layer_profile(box(35.4, 35.4, 40), 0.2)], parts=1.0, support_volume_cm3=0.0)
    assert with_skin - without < 0.3 * caps["printing", "fill and skins"].minutes  # of foot and top alone


@settings(max_examples=30, deadline=None)
@given(
    st.floats(5.0, 80.0), st.floats(5.0, 80.0), st.floats(2.0, 60.0), st.floats(0.05, 1.0), st.floats(0.0, 30.0),
    st.sampled_from([0.1, 0.2, 0.3]), st.floats(0.2, 20.0),
)  # fmt: skip
def test_no_machine_prints_faster_than_it_melts_cures_or_scans(x, y, z, infill, support, layer, melt):
    """What is laid over the greatest rate bounds each process; a solid fill lays the volume itself."""
    profile = layer_profile(box(x, y, z), layer)
    mex = patched(shop_text("UTC"), f'[[machine]]\nid = "mex1"\nmelt_rate_mm3_s = {melt}\n')
    known = {
        "process": "MEX", "machine": "mex1", "profile": [profile], "parts": 1.0, "infill": infill, "layer_mm": layer,
        "support_volume_cm3": support,
    }  # fmt: skip
    b = read_builds(columns(**known), mex, "extruder", np.array([0]))
    laid = float(laid_cm3(b)[0])
    solid = float(profile.area_mm2.sum() * layer / 1000.0)
    assert laid <= (solid + 0.18 * support) * (1 + 1e-6)
    assert infill < 1.0 or laid == pytest.approx(solid + 0.18 * support)
    assert minutes(mex, **known)["printing"] >= laid * 1000 / melt / 60


def test_weighed_material_is_what_was_laid():
    for grams in (2.0, 22.8, 400.0):
        row = columns(process="MEX", machine="mex1", parts=1.0, material="pla", material_g=grams)
        density = SHOP.materials["pla"].params["density_g_cm3"]
        assert laid_cm3(read_builds(row, SHOP, "extruder", np.array([0])))[0] == pytest.approx(
            grams / density, rel=0.01
        )


def test_scanned_supports_are_struts_not_blocks():
    shop = patched(
        shop_text("UTC"), '[[machine]]\nid = "scan"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = [200, 200, 200]'
    )
    part = {"process": "VPP", "machine": "scan", "parts": 1.0, "part_volume_cm3": 20.0, "height_mm": 60.0}
    bare, held, solid = (
        minutes(shop, **{**part, "part_volume_cm3": 20.0 + more}, support_volume_cm3=support)["printing"]
        for more, support in ((0.0, 0.0), (0.0, 60.0), (60.0, 0.0))
    )
    assert bare < held < bare + 0.2 * (solid - bare)


def test_a_second_material_for_supports_is_changed_twice_in_each_layer_with_purge():
    soluble = patched(shop_text("UTC"), '[[material]]\nid = "pla"\nsoluble_supports = 1\n')
    held = {"process": "MEX", "material": "pla", **SHAPES, "support_volume_cm3": 4.0, "support_contact_cm2": 1.0}
    changes = terms_of(soluble, **held)["printing", "tool changes"]
    # supports 40 mm high on the mean, as high as the build: 200 layers x 2 x (15 s + 60 mm3 / 12 mm3/s)
    assert changes.minutes == pytest.approx(200 * 2 * (15 + 5) / 60)
    assert changes.minutes == max(
        t.minutes for (stage, _), t in terms_of(soluble, **held).items() if stage == "printing"
    )
    bare = {**held, "support_volume_cm3": 0.0, "support_contact_cm2": 0.0}
    assert ("printing", "tool changes") not in terms_of(soluble, **bare)


def test_supports_dissolve_by_their_thickness_where_it_is_known():
    held = {"process": "MEX", **SHAPES, "support_volume_cm3": 8.0}
    thin, thick = (
        terms_of(**held, support_thickness_mm=mm)["support_dissolving", "dissolving"].minutes for mm in (3.0, 12.0)
    )
    assert thin == pytest.approx(60 * 3.0 / 2 / 2.5)
    assert thick == pytest.approx(4 * thin)


def test_hollows_and_ribs_are_cleaned_longer_and_plain_parts_are_not():
    cake = {"process": "PBF", "parts": 1.0, "part_volume_cm3": 27.0, "height_mm": 60.0}
    assert ("part_cleaning", "cavities") not in terms_of(**cake, part_area_cm2=54.0)  # a cube
    ribbed = terms_of(**cake, part_area_cm2=172.0)["part_cleaning", "cavities"]
    assert ribbed.minutes == pytest.approx(0.006 * (172.0 - 8 * 9.0))


def test_recovery_sieves_what_no_part_fills_and_mixes_the_fresh_share_in():
    cake = {"process": "PBF", "parts": 1.0, "part_volume_cm3": 500.0, "height_mm": 100.0, "packed_volume_cm3": 4000.0}
    terms = terms_of(**cake, fresh_share=0.25)
    assert terms["powder_recovery", "powder"].minutes == pytest.approx(1.5 * 3.5)
    assert terms["powder_recovery", "fresh powder"].minutes == pytest.approx(0.3 * 3.5 / 3)
    assert terms["powder_prep", "powder"].minutes == pytest.approx(1.2 * 4.0)


def test_blank_layers_are_a_term_of_their_own():
    blank = terms_of(process="PBF", parts=1.0, part_volume_cm3=5.0, height_mm=30.0)["printing", "blank layers"]
    assert blank.minutes == pytest.approx((8 + 5) / 0.1 * (12 + 6) / 60)


def test_refills_go_with_the_material_used_and_sanding_with_the_material():
    refill = terms_of(process="MEX", **{**SHAPES, "part_volume_cm3": 1600.0}, support_volume_cm3=0.0)
    laid = refill["machine_setup", "refill"].inputs["used_cm3"]
    assert 0.2 * 1600 < laid < 0.6 * 1600  # filled in part
    assert refill["machine_setup", "refill"].minutes == pytest.approx(laid / 800 * 3.0)
    tough = patched(shop_text("UTC"), '[[material]]\nid = "pla"\nsanding_ratio = 2\n')
    usual, longer = (terms_of(s, process="MEX", material="pla", **SHAPES) for s in (SHOP, tough))
    assert longer["sanding", "surface"].minutes == pytest.approx(2 * usual["sanding", "surface"].minutes)


@settings(max_examples=25, deadline=None)
@given(PROCESS, st.floats(5.0, 60.0), st.floats(5.0, 60.0), st.floats(4.0, 60.0), st.floats(1.05, 2.0))
def test_a_part_stretched_upwards_is_never_faster_by_its_own_layers(process, x, y, z, taller):
    layer = SHOP.machines[MACHINES[process]].params["layer_mm"]
    low, high = (
        minutes(process=process, parts=1.0, profile=[layer_profile(box(x, y, height), layer)], support_volume_cm3=0.0)
        for height in (z, z * taller)
    )
    assert sum(high[s] for s in ("warm_up", "printing") if s in high) >= (
        sum(low[s] for s in ("warm_up", "printing") if s in low) * (1 - 1e-9)
    )
