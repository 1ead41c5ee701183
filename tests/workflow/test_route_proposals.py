"""A lab's own route, by its logs: proposed where many builds go another way than the shop file says."""

from __future__ import annotations

import tomllib

import pandas as pd
import pytest

from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text
from calib.workflow.route_proposals import propose_routes


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop")
    (folder / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    return read_shop(folder)


def logs(routes: list[str], process: str = "MEX") -> tuple[pd.DataFrame, pd.DataFrame]:
    """A build for each route, its stages an hour each one after the other."""
    builds = pd.DataFrame({"build_id": [f"b{n}" for n in range(len(routes))], "process": process, "order_id": None})
    rows = [
        {"build_ids": [f"b{n}"], "order_id": None, "stage": stage, "started_at": pd.Timestamp("2026-03-02", tz="UTC") + pd.Timedelta(hours=24 * n + hour)}
        for n, route in enumerate(routes)
        for hour, stage in enumerate(route.split())
    ]  # fmt: skip
    return builds, pd.DataFrame(rows)


def test_a_lab_that_goes_by_the_shop_file_hears_nothing(shop):
    usual = "file_prep machine_setup printing unloading support_removal inspection packing"
    assert propose_routes(*logs([usual] * 30), shop, set()) == []


def test_another_order_is_proposed_once_many_builds_show_it(shop):
    own = "file_prep machine_setup printing unloading support_removal inspection colouring packing"
    (found,) = propose_routes(*logs([own] * 24), shop, set())
    assert (found["process"], found["builds"], found["left_out"], found["added"], found["moved"]) == (
        "MEX",
        24,
        [],
        [],
        True,
    )
    route = tomllib.loads("\n".join(found["lines"]))["routes"]["MEX"]
    assert sorted(route) == sorted(shop.routes["MEX"])
    assert [stage for stage in route if stage in own.split()] == own.split()
    assert propose_routes(*logs([own] * 19), shop, set()) == []
    both = [
        own,
        own.replace("inspection colouring", "colouring inspection"),
    ] * 15  # now so, now so: no habit
    assert propose_routes(*logs(both), shop, set()) == []


def test_what_is_not_done_goes_unless_a_hazard_needs_it_and_no_order_is_proposed_that_hurts(shop):
    own = "file_prep machine_setup printing unloading washing drying post_curing packing"
    not_done = {("VPP", "draining"), ("VPP", "drying"), ("VPP", "washing")}
    (found,) = propose_routes(*logs([own] * 20, "VPP"), shop, not_done)
    assert (found["left_out"], found["moved"]) == (["draining"], False)
    early = own.replace("washing drying post_curing", "post_curing washing drying")  # heated before it is dry
    assert propose_routes(*logs([early] * 20, "VPP"), shop, set()) == []


def test_a_stage_that_the_shops_route_lacks_comes_in_where_it_is_done(shop, tmp_path):
    short = '\n[routes]\nMEX = ["file_prep", "machine_setup", "printing", "unloading", "packing"]\n'
    (tmp_path / "shop.toml").write_text(shop_text("UTC") + short, encoding="utf-8")
    own = "file_prep machine_setup printing unloading sanding packing"
    (found,) = propose_routes(*logs([own] * 20), read_shop(tmp_path), set())
    assert found["added"] == ["sanding"]
    assert found["lines"][1] == 'MEX = ["file_prep", "machine_setup", "printing", "unloading", "sanding", "packing"]'
