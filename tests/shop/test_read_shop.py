"""The shop file: the shipped one is good, and every problem of a bad one is named in one pass."""

from __future__ import annotations

from contextlib import suppress
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import ShopFileError
from calib.records import PROCESSES, ROUTES, STAGES
from calib.shop import keys
from calib.shop.patch import patched
from calib.shop.read_shop import read_shop, shop_from_data, shop_from_text
from calib.shop.template import shop_text
from calib.toml_lines import key_lines, parse_toml

HEAD = '[shop]\ntimezone = "UTC"\n'


def problems(text):
    with pytest.raises(ShopFileError) as caught:
        shop_from_text(text)
    return caught.value.message


def test_the_shipped_shop_has_a_machine_for_each_process_and_every_default():
    shop = shop_from_text(shop_text("Europe/London"))
    assert shop.timezone == "Europe/London"
    assert {machine.process for machine in shop.machines.values()} == set(PROCESSES)
    for machine in shop.machines.values():
        assert set(machine.params) == set(keys.machine_defaults(machine.kind))
        assert machine.materials
    assert shop.hours is not None
    assert shop.hours[0] == ((480, 1020),)
    assert shop.hours[6] == ()


def test_numbers_stated_in_the_shipped_shop_are_the_defaults():
    shop = shop_from_text(shop_text("UTC"))
    for machine in shop.machines.values():
        assert machine.params == keys.machine_defaults(machine.kind)


def test_an_empty_shop_states_no_hours():
    assert shop_from_text(HEAD).hours is None


def test_unknown_floors_are_said_to_be_unknown():
    shop = shop_from_text(shop_text("UTC"))
    assert any('material "resin"' in warning and "unknown" in warning for warning in shop.warnings)
    assert shop.materials["resin"].floors["cure_floor_min"] is None


def test_every_problem_is_named_at_once_with_line_and_remedy():
    text = HEAD + (
        '[hours]\nmon = "8-17"\n'
        '[[machine]]\nid = "a"\nproces = "MEX"\nbuild_mm = [1, 2]\nwall_sped_mm_s = 3\n'
        '[[machine]]\nid = "a"\nprocess = "sla"\nbuild_mm = [100, 100, 100]\nlayer_mm = "x"\nfirst_layers = 1000\n'
        "[drift]\nfalse_alarms_per_year = -1\n"
    )
    found = problems(text)
    for sentence in (
        'line 4, hours, mon: "8-17" is not a span of a day',
        'line 7, machine "a", proces: unknown key. Did you mean "process"?',
        'line 8, machine "a", build_mm: build_mm must be three lengths',
        'line 9, machine "a", wall_sped_mm_s: unknown key. Did you mean "wall_speed_mm_s"?',
        'id "a" is used twice',
        'line 14, machine "a", layer_mm: "x" is not a number',
        'line 15, machine "a", first_layers: 1000 is out of range',
        "line 17, drift, false_alarms_per_year: -1 is out of range",
    ):
        assert sentence in found


def test_a_material_without_an_id_is_counted():
    found = problems(HEAD + '[[material]]\nid = "pla"\nprocess = "MEX"\n[[material]]\nprocess = "MEX"\nbed_c = "hot"\n')
    assert "material 2, bed_c:" in found
    assert 'material 2: "id" is missing' in found


BAD = [
    ("[shop]\ntimezone = 'Erope/London'", "not an IANA time zone"),
    ("", "the table [shop] is missing"),
    (HEAD + "[people]\nnames = 'alais'", 'Did you mean "alias"?'),
    (HEAD + "[people]\nkeep_months = 0.5", "people, keep_months: 0.5 is out of range"),
    (HEAD + "[people]\ndrop_columns = 3", "people, drop_columns: 3 is not a list of texts"),
    (HEAD + "[[material]]\nid = 'm'\nprocess = 'VPP'\ncure_floor_min = 3", "least times need their source"),
    (HEAD + "[rates.printing]\nstart_min = 3", "computed from the machine's numbers"),
    (HEAD + "[rates.sandign]\nlearning = 0.9", "needs start_min, per_part_min or recipe_min"),
    (HEAD + "[routes]\nMEX = ['file_prep']", 'a route needs "printing"'),
    (HEAD + "[routes]\nMEX = ['printing', 'sandign']", 'Did you mean "sanding"?'),
    (HEAD + "[routes]\nPBF = ['printing', 'breakout', 'cool_down']", '"breakout" stands before "cool_down"'),
    (HEAD + "[routes]\nVPP = ['printing', 'post_curing', 'drying']", '"post_curing" stands before "drying"'),
    (
        HEAD + "[routes]\nPBF = ['printing']\n[[material]]\nid = 'm'\nprocess = 'PBF'\ncool_floor_min = 3\n"
        "floor_source = 's'",
        '"cool_down" is missing: material "m" states cool_floor_min',
    ),
    (HEAD + "[[machine]]\nid = 'a'\nprocess = 'MEX'\nbuild_mm = [9, 9, 9]\nmaterials = ['gold']", "no material"),
    (HEAD + "[[machine]]\nid = 'a'\nprocess = 'MEX'\nbuild_mm = [9, 9, 9]\nlights_out = 1", "neither true nor false"),
    (HEAD + "[[machine]]\nid = 'a'\nprocess = 'PBF'\nbuild_mm = [9, 9, 9]\ncloses = ['Tuesday 4 pm']", '"Tue 16:00"'),
    (HEAD + "[hours]\nclosures = ['32 May']", "is not a day"),
    (HEAD + "[hours]\nmon = ['08:00-12:00', '11:00-15:00']", "two spans overlap"),
    (HEAD + "[quoting]\nno_unattended_start_after = '25:00'", "is not a time"),
    (HEAD + "machine = 3", "unknown key"),
]


@pytest.mark.parametrize(("text", "sentence"), BAD)
def test_problems_read_as_sentences(text, sentence):
    assert sentence in problems(text)


def test_text_that_is_no_toml_says_where():
    with pytest.raises(ShopFileError, match=r"not valid TOML.*line 2"):
        shop_from_text("[shop]\nname = \n")


def test_files_that_are_missing_or_no_text(tmp_path):
    with pytest.raises(ShopFileError, match="There is no shop file"):
        read_shop(tmp_path)
    (tmp_path / "shop.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ShopFileError, match="not UTF-8"):
        read_shop(tmp_path)
    (tmp_path / "shop.toml").write_text("﻿" + HEAD, encoding="utf-8")
    assert read_shop(tmp_path).timezone == "UTC"


@given(st.text(max_size=200))
def test_any_text_is_a_shop_or_a_sentence(text):
    with suppress(ShopFileError):
        shop_from_text(text)


VALUES = st.one_of(
    st.booleans(), st.integers(-(10**9), 10**9), st.floats(), st.text(max_size=8), st.lists(st.integers(), max_size=3),
    st.dictionaries(st.sampled_from(["id", "names", "mon", "x"]), st.integers(), max_size=2),
)  # fmt: skip
TABLES = ("shop", "hours", "people", "machine", "material", "station", "crew", "rates", "costs", "quoting", "routes")


@given(st.dictionaries(st.sampled_from(TABLES), st.one_of(VALUES, st.lists(st.dictionaries(
    st.sampled_from(["id", "process", "build_mm", "change", "materials", "stages", "places", "layer_mm", "floor_source"]),
    VALUES, max_size=4), max_size=2))))  # fmt: skip
def test_any_value_anywhere_is_a_shop_or_a_sentence(data):
    with suppress(ShopFileError):
        shop_from_data(data, {}, "a file", "")


def test_lines_of_keys_in_nested_tables():
    text = '[a]\nb = 1\n[[m]]\nid = "x"\n[[m.change]]\nsince = 2026-01-01\n[[m]]\nid = "y"\n[r.s]\n"q" = 1\n'
    lines = key_lines(text)
    assert lines["a", "b"] == 2
    assert lines["m", 0, "change", 0, "since"] == 6
    assert lines["m", 1, "id"] == 8
    assert lines["r", "s", "q"] == 10
    assert parse_toml(text)[0]["m"][1]["id"] == "y"


def test_dated_machines_closures_and_the_rest_come_through():
    text = HEAD + (
        "[hours]\ntue = ['08:00-12:00', '13:00-24:00']\nclosures = [2026-12-25, '2026-12-24']\n"
        "[[machine]]\nid = 'bed'\nprocess = 'SLS'\nbuild_mm = [165, 165, 300]\nchambers = 2\ncloses = 'Tue 16:00'\n"
        "[[machine.change]]\nsince = 2026-03-01\nrecoat_s = 9\n"
        "[[station]]\nid = 'w'\nstages = 'washing'\nplaces = 2\n[[crew]]\nid = 'c'\nsize = 3\nstages = ['sanding']\n"
        "[[quoting.outside]]\nid = 's'\nprocess = 'PBF'\ndays = 8\n"
    )
    shop = shop_from_text(text)
    bed = shop.machines["bed"]
    assert (bed.process, bed.kind, bed.chambers, bed.cutoffs) == ("PBF", "laser_bed", 2, ("Tue 16:00",))
    assert bed.dated == ((date(2026, 3, 1), {"recoat_s": 9.0}),)
    assert shop.closures == (date(2026, 12, 24), date(2026, 12, 25))
    assert shop.hours[1] == ((480, 720), (780, 1440))
    assert shop.stations["w"].places == 2
    assert shop.crews["c"].stages == ("sanding",)
    assert shop.quoting["outside"][0]["days"] == 8.0


def test_registry_names_units_ranges_and_sources():
    for key in (*keys.MACHINE_KEYS, *keys.MATERIAL_KEYS):
        assert key.about
        assert key.source
        assert all(key.low <= value <= key.high for value in key.defaults.values()), key.name
    for stage, rates in keys.RATES.items():
        assert stage in STAGES
        for name, value in rates.items():
            _, low, high = keys.RATE_KEYS[name]
            assert low <= value <= high, (stage, name)


def test_every_stage_has_rates_or_physics():
    assert set(STAGES) - set(keys.RATES) == {"warm_up", "printing", "cool_down"}


# -- what-if ---------------------------------------------------------------------------------------------------------

BASE = shop_text("UTC")


def test_a_patch_changes_adds_and_removes():
    patch = (
        '[[machine]]\nid = "mex1"\nlayer_mm = 0.3\n[[machine]]\nid = "new"\nprocess = "VPP"\nbuild_mm = [90, 90, 90]\n'
        '[[station]]\nid = "cure"\nremove = true\n[rates.sanding]\nstart_min = 1\n[hours]\nsat = "08:00-12:00"\n'
    )
    shop = patched(BASE, patch)
    assert shop.machines["mex1"].params["layer_mm"] == 0.3
    assert shop.machines["mex1"].build_mm == (200.0, 200.0, 300.0)
    assert "new" in shop.machines
    assert "cure" not in shop.stations
    assert shop.rates["sanding"]["start_min"] == 1.0
    assert shop.rates["sanding"]["per_part_min"] == keys.RATES["sanding"]["per_part_min"]
    assert shop.hours[5] == ((480, 720),)
    assert shop.version != shop_from_text(BASE).version


def test_a_patch_from_files(tmp_path):
    (tmp_path / "shop.toml").write_text(BASE, encoding="utf-8")
    (tmp_path / "patch.toml").write_text('[shop]\nname = "tomorrow"\n', encoding="utf-8")
    assert patched(tmp_path, tmp_path / "patch.toml").name == "tomorrow"


FLOOR = '[[material]]\nid = "resin"\ncure_floor_min = 30\nfloor_source = "sheet"\n'


def test_no_patch_goes_under_a_floor():
    floored = BASE.replace("# cure_floor_min = 20\n# floor_source", "cure_floor_min = 20\nfloor_source")
    assert patched(floored, FLOOR).materials["resin"].floors["cure_floor_min"] == 30
    with pytest.raises(ShopFileError, match="goes under the data sheet's 20"):
        patched(floored, FLOOR.replace("30", "10"))
    again = '[[material]]\nid = "resin"\nremove = true\n[[material]]\nid = "resin"\nprocess = "VPP"\n'
    for other in (again, again.replace('id = "resin"\nprocess', 'id = " resin"\nprocess')):
        with pytest.raises(ShopFileError, match="cure_floor_min: not stated goes under the data sheet's 20"):
            patched(floored, other)


@pytest.mark.parametrize(("process", "stage"), [("PBF", "cool_down"), ("VPP", "washing"), ("VPP", "post_curing")])
def test_no_patch_leaves_out_a_stage_that_has_a_floor(process, stage):
    short = ", ".join(f'"{one}"' for one in ROUTES[process] if one != stage)
    with pytest.raises(ShopFileError, match=f'"{stage}" is missing: without it'):
        patched(BASE, f"[routes]\n{process} = [{short}]\n")


def test_a_patch_may_state_the_short_route_of_the_template_and_no_shorter_than_a_data_sheet_allows():
    route = (
        '[routes]\nMEX = ["file_prep", "machine_setup", "warm_up", "printing", "cool_down", "unloading", "packing"]\n'
    )
    assert "rinsing" not in patched(BASE, route).routes["MEX"]
    limit = '[[material]]\nid = "own"\nprocess = "MEX"\nrinse_floor_min = 60\nfloor_source = "sheet"\n'
    with pytest.raises(ShopFileError, match='"rinsing" is missing: material "own" states rinse_floor_min'):
        patched(BASE + limit, route)


@pytest.mark.parametrize(
    "patch",
    [
        "[[machine]]\nid = [1]\n",
        "[[machine]]\nlayer_mm = 0.1\n",
        "[routes]\nPBF = 3\n",
        "routes = 3\n",
        "[[material]]\nid = {a = 1}\n",
    ],
)
def test_a_patch_of_wrong_types_is_a_sentence(patch):
    with pytest.raises(ShopFileError, match="problem"):
        patched(BASE, patch)


def test_what_is_wrong_with_the_shop_file_is_told_before_its_patch():
    with pytest.raises(ShopFileError, match="routes: 3 is not a table"):
        patched("routes = 3\n" + BASE, FLOOR)


def test_a_patch_that_removes_nothing_or_misspells():
    with pytest.raises(ShopFileError, match='no machine "mex9" to remove'):
        patched(BASE, '[[machine]]\nid = "mex9"\nremove = true\n')
    with pytest.raises(ShopFileError, match='Did you mean "layer_mm"'):
        patched(BASE, '[[machine]]\nid = "mex1"\nlayr_mm = 0.3\n')


def test_temperatures_that_are_never_reached_are_named_before_anything_is_reckoned():
    hot = (
        shop_text("UTC")
        .replace("bed_c = 75", "bed_c = 140\nrelease_c = 20")
        .replace("powder_bed_c = 172", "powder_bed_c = 250")
    )
    with pytest.raises(ShopFileError) as caught:
        shop_from_text(hot)
    answer = str(caught.value)
    assert answer.count("line") == 3
    assert '"petg" needs its bed at 140 degC, and here it ends at 130 if heated for ever' in answer
    assert '"petg": the bed lets the part go below release_c = 20 degC, and the room has 22' in answer
    assert '"pa12" needs its powder bed at 250 degC' in answer


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("density_g_cm3", 7.9),
        ("density_g_cm3", 4.4),
        ("powder_rho_kg_m3", 4500),
        ("powder_k_w_m_k", 2),
        ("solid_k_w_m_k", 16),
    ],
)
def test_metal_in_a_powder_bed_is_refused_and_says_what_is_not_modelled(name, value):
    with pytest.raises(
        ShopFileError, match="stress relief, supports and hot isostatic pressing of metal are not modelled"
    ):
        patched(shop_text("UTC"), f'[[material]]\nid = "pa12"\n{name} = {value}\n')


@pytest.mark.parametrize("density", [1.01, 1.3, 2.2])
def test_filled_polymers_are_polymers(density):
    shop = patched(shop_text("UTC"), f'[[material]]\nid = "pa12"\ndensity_g_cm3 = {density}\n')
    assert shop.materials["pa12"].params["density_g_cm3"] == density


def test_an_old_name_is_read_as_the_new_one_with_a_note():
    old = shop_text("UTC").replace("cake_fill_limit = 0.15", "packing_limit = 0.31")
    shop = shop_from_text(old)
    bed = next(machine for machine in shop.machines.values() if machine.process == "PBF")
    assert bed.params["cake_fill_limit"] == 0.31
    assert "packing_limit is called cake_fill_limit now, and was read as that." in shop.warnings
    changed = patched(old, f'[[machine]]\nid = "{bed.id}"\ncake_fill_limit = 0.2\n')
    assert changed.machines[bed.id].params["cake_fill_limit"] == 0.2
