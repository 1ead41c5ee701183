"""Runs below a least time are told at once, however old they are when they come in, and never learned from."""

from __future__ import annotations

import pytest

from calib.store.open_store import open_store

BUILDS = "build_id,process,machine,material,parts,part_volume_cm3,height_mm\n"
STAGES = "build_id,stage,started_at,ended_at,ended_by\n"


def powder_builds(first, count, material="pa12"):
    """Builds of a full bed, and runs: printing as usual, a cool-down of 160 min where conduction takes 8 hours or more."""
    builds, stages = BUILDS, STAGES
    for number in range(first, first + count):
        day = f"2026-{1 + number // 28:02d}-{1 + number % 28:02d}"
        builds += f"B{number},PBF,pbf1,{material},20,300,250\n"
        stages += (
            f"B{number},printing,{day}T00:10,{day}T14:00,machine\nB{number},cool_down,{day}T14:10,{day}T16:50,machine\n"
        )
    return builds, stages


@pytest.mark.slow
def test_cool_downs_far_shorter_than_conduction_are_looked_at_and_never_the_plan(lab):
    logs = [str(lab.write(text)) for text in powder_builds(40, 25)]
    lab.document("import", *logs)
    fitted = lab.document("fit")
    below = fitted["below_floor"]
    assert len(below) == 25
    assert {(run["process"], run["stage"], run["by"], run["new"]) for run in below} == {
        ("PBF", "cool_down", "conduction", True)
    }
    assert "pa12: no least time known for cool down: see the data sheet." in fitted["warnings"]
    plan = lab.write(BUILDS + "P1,PBF,pbf1,pa12,20,300,250\n")
    cooled = next(row for row in lab.document("predict", str(plan))["predictions"] if row["stage"] == "cool_down")
    assert cooled["p05_min"] >= below[0]["floor_min"] > 160
    drift = lab.document("drift")
    assert len(drift["below_floor"]) == 25
    assert not [one for one in drift["stages"] if one["stage"] == "cool_down" and one["state"] == "drifting"]
    assert "Look at once: build B" in lab.call("drift")[1]
    questions = lab.document("review", "--all")["questions"]
    assert sum("below its least time" in one["sentence"] for one in questions) == 25
    status, out, _ = lab.call("week", *logs, "--out", str(lab.folder / "pages"))
    assert status == 0
    assert "The core must be below the data sheet's limit" in out
    status, _, err = lab.call("drift", "--accept", "PBF:cool_down", "--note", "quicker")
    assert (status, "does not drift" in err) == (2, True)

    old = powder_builds(3, 1)  # a log that lay in a drawer
    with_import_a_month_ago(lab)
    lab.take(*old)
    assert {run["build_id"] for run in lab.document("fit")["below_floor"] if run["new"]} >= {"B3"}
    assert "build B3, cool down" in lab.call("week", *logs, "--out", str(lab.folder / "pages"))[1]


def with_import_a_month_ago(lab):
    with open_store(lab.folder) as store:
        store.execute("UPDATE log_import SET imported_at = imported_at - INTERVAL 31 DAY")


def test_a_cure_of_an_unknown_material_is_flagged(lab):
    shop = lab.folder / "shop.toml"
    text = shop.read_text("utf-8").replace("# cure_floor_min = 20\n# floor", "cure_floor_min = 20\nfloor")
    shop.write_text(text, encoding="utf-8")
    builds, stages = BUILDS, STAGES
    for number, minutes in enumerate((5, 45)):
        builds += f"R{number},VPP,vpp1,no name,3,20,40\n"
        stages += f"R{number},post_curing,2026-01-0{number + 1}T09:00,2026-01-0{number + 1}T09:{minutes:02d},machine\n"
    lab.take(builds, stages)
    fitted = lab.document("fit")
    assert [(run["build_id"], run["floor_min"]) for run in fitted["below_floor"]] == [("R0", 20.0)]
    assert "no name: no least time known for post curing: see the data sheet." in fitted["warnings"]
