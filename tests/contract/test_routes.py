"""Which stages a build has: learned from the logs by process, material and finish; not logged is not 'not done'."""

from __future__ import annotations

import pandas as pd
import pytest

from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.workflow.routes import logged_routes, route_of

USUAL = ("printing", "unloading", "washing", "post_curing")


def log(lab, groups, named="build_id"):
    """Six builds of each (material, finish), each an order, with these stages; ``named``: the column in which runs name them."""
    builds, runs = "build_id,order_id,process,machine,parts,material,finish\n", f"{named},stage,started_at,ended_at\n"
    for material, finish, stages in groups:
        for number in range(6):
            build = f"{material}-{finish}-{number}"
            builds += f"{build},{build},VPP,vpp1,2,{material},{finish}\n"
            for hour, stage in enumerate(stages, 8):
                runs += (
                    f"{build},{stage},2026-01-{5 + number:02d}T{hour:02d}:00,2026-01-{5 + number:02d}T{hour:02d}:30\n"
                )
    lab.take(builds, runs)


def route(lab, material, finish):
    with open_store(lab.folder, read_only=True) as store:
        builds, runs = find_builds(store), find_runs(store)
    logged = logged_routes(builds, runs, pd.Timestamp("2026-02-01", tz="UTC"))
    return route_of("VPP", material, finish, True, read_shop(lab.folder), logged)


@pytest.mark.parametrize("named", ["build_id", "order_id"])
def test_a_stage_that_is_usual_for_a_material_and_finish_is_in_its_route_only(lab, named):
    log(lab, [("resin", "sanded", (*USUAL, "sanding", "annealing")), ("resin", "as_built", USUAL)], named)
    assert {"sanding", "annealing"} <= set(route(lab, "resin", "sanded"))
    assert "annealing" not in route(lab, "resin", "as_built")
    assert "annealing" not in route(lab, "other resin", "as_built")  # too few of its own: optional ones as in the table


def test_a_stage_that_nobody_logs_is_added_unless_the_shop_says_it_is_always_logged(lab):
    log(lab, [("resin", "as_built", USUAL)])
    assert "packing" in route(lab, "resin", "as_built")
    shop = lab.folder / "shop.toml"
    shop.write_text(shop.read_text() + '\n[routes]\nalways_logged = ["packing"]\n')
    assert "packing" not in route(lab, "resin", "as_built")
    assert "inspection" in route(lab, "resin", "as_built")


def test_without_logs_the_table_holds(lab):
    assert {"printing", "washing", "post_curing", "packing"} <= set(route(lab, "resin", "as_built"))
    assert "sanding" not in route(lab, "resin", "as_built")
