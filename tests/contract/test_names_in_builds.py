"""Machines and materials that the shop file lacks come in, with a warning and their process's defaults."""

from __future__ import annotations

import pytest

HEAD = "build_id,process,machine,parts,material\n"


def test_an_unknown_machine_and_material_come_in_with_a_warning_that_names_the_nearest(lab, fates):
    document = lab.take(HEAD + "B1,MEX,mex11,3,PLAA\nB2,MEX,zeppelin,3,\n")
    assert fates(document) == (2, 0, 0, 0, 0)
    assert document["warnings"] == [
        'Machine "mex11" is not in the shop file: the defaults of its process are used. Did you mean mex1?',
        'Machine "zeppelin" is not in the shop file: the defaults of its process are used.',
        'Material "PLAA" is not in the shop file: the defaults of its process are used. Did you mean pla?',
    ]


def test_a_build_on_a_machine_or_of_a_material_for_another_process_is_told(lab, fates):
    document = lab.take(HEAD + "B1,VPP,mex1,3,resin\nB2,VPP,vpp1,3,pla\n")
    assert fates(document) == (2, 0, 0, 0, 0)
    assert document["warnings"] == [
        "Build B1 is VPP on mex1, which is a MEX machine: look at machine and process.",
        "Build B2 is VPP of pla, a material for MEX: look at material and process.",
    ]


def test_many_unknown_names_are_counted(lab):
    rows = "".join(f"B{number},MEX,mex1,1,lot {number}\n" for number in range(9))
    assert lab.take(HEAD + rows)["warnings"][-1] == "4 more that the shop file lacks are named as material."


def test_a_plan_is_warned_of_in_the_same_words_and_predicted(lab):
    plan = lab.write(HEAD + "P1,MEX,mex9,3,PLAA\n")
    document = lab.document("predict", str(plan))
    assert [row["stage"] for row in document["predictions"]][-1] == "total"
    assert document["warnings"][1:] == [
        'Machine "mex9" is not in the shop file: the defaults of its process are used. Did you mean mex1?',
        'Material "PLAA" is not in the shop file: the defaults of its process are used. Did you mean pla?',
    ]


FLOORS = 'fresh_share = 0.5\ncool_floor_min = 900\nfloor_source = "data sheet, 2026"\n'


@pytest.fixture
def floored(lab):
    """A lab whose only powder states a least cool-down of 900 min."""
    shop = lab.folder / "shop.toml"
    text = shop.read_text(encoding="utf-8")
    assert text.count("fresh_share = 0.5\n") == 1
    shop.write_text(text.replace("fresh_share = 0.5\n", FLOORS), encoding="utf-8")
    return lab


def least_cool_down(document) -> float:
    return min(row["p05_min"] for row in document["predictions"] if row["stage"] == "cool_down")


@pytest.mark.parametrize("name", ["pa12", "PA12", "pa 12", "Pa-12", "PA_12"])
def test_another_spelling_of_a_material_and_a_machine_is_that_one_and_keeps_its_floor(floored, name):
    plan = floored.write(HEAD + f"P1,PBF,PBF-1,5,{name}\n")
    document = floored.document("predict", str(plan))
    assert least_cool_down(document) >= 900
    assert not any("no least time known" in text for text in document["warnings"])
    assert ('Machine "PBF-1" is read as pbf1.' in document["warnings"]) and not any(
        "not in the shop file" in text for text in document["warnings"]
    )
    plain = floored.document("predict", str(floored.write(HEAD + "P1,PBF,pbf1,5,pa12\n")))
    assert document["predictions"] == plain["predictions"]


def test_an_import_says_how_it_reads_other_spellings_and_short_runs_are_below_the_floor(floored):
    stages = "build_id,stage,started_at,ended_at,station\n" + "".join(
        f"B1,{stage},2026-01-05T{start},2026-01-05T{end},{where}\n"
        for stage, start, end, where in (
            ("printing", "00:10", "08:00", "PBF 1"),
            ("cool_down", "08:10", "09:10", "pbf1"),
            ("blasting", "09:20", "09:50", "Blast"),
        )
    )
    document = floored.take(HEAD + "B1,PBF,PBF-1,5,PA 12\n", stages)
    assert document["warnings"][:3] == [
        'Machine "PBF-1" is read as pbf1.',
        'Material "PA 12" is read as pa12.',
        'Station "PBF 1" is read as pbf1.',
    ]
    fitted = floored.document("fit")
    assert [(run["stage"], run["floor_min"]) for run in fitted["below_floor"]] == [("cool_down", 900.0)]


def test_a_material_that_the_shop_lacks_is_named_without_a_floor_and_kept_above_the_smallest_known(floored):
    plan = floored.write(HEAD + "P1,PBF,pbf1,5,mystery\n")
    for command in (("predict", str(plan)), ("capacity", "--plan", str(plan))):
        document = floored.document(*command)
        assert "mystery: no least time known for cool down: see the data sheet." in document["warnings"]
    assert least_cool_down(floored.document("predict", str(plan))) >= 900
