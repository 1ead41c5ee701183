"""Orders of several parts: read from a file, mixed in a build, or each its own way."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.calibration.calibrator import Calibrator
from calib.calibration.failures import Failures
from calib.calibration.waits import Waits
from calib.errors import NoPlanError, ShopFileError, UsageError
from calib.quoting.build_rows import mean_profile
from calib.quoting.document import quote
from calib.quoting.learned import Learned
from calib.quoting.options import find_options
from calib.quoting.request import OrderLine
from calib.quoting.shape import ShapeFinder
from calib.shop.template import shop_text
from calib.workflow.order import QuoteAsk, is_order, read_order
from calib.workflow.quote import quote_order

LEARNED = Learned(Calibrator(prior_only=True), Waits(), Failures())


@pytest.fixture
def order_of(request_for):
    """A request of so many lines, from the same Wednesday."""
    return lambda *lines, **more: replace(request_for(1), lines=lines, **more)


@pytest.fixture(scope="session")
def slab(box):
    """The box cut down to a third in height, as another part."""
    flat = box.triangles * np.array([1.0, 1.0, 1 / 3])
    return replace(box, triangles=flat, name="slab.stl", volume_mm3=box.volume_mm3 / 3,
                   bounds_mm=box.bounds_mm * np.array([1.0, 1.0, 1 / 3]))  # fmt: skip


def test_an_order_of_one_line_is_the_quote_of_that_part(box, shop, order_of, request_for):
    one, order = (
        quote(asked, shop, [box], LEARNED, draws=200) for asked in (request_for(7), order_of(OrderLine(7), due=None))
    )
    assert json.dumps(one) == json.dumps(order)


def test_two_parts_share_a_build_and_cost_less_than_two_orders(box, slab, shop, order_of, certain, always_open):
    both = quote(order_of(OrderLine(2), OrderLine(3)), always_open, [box, slab], Learned(certain), draws=20)
    alone = [
        quote(order_of(line), always_open, [mesh], Learned(certain), draws=20)
        for line, mesh in ((OrderLine(2), box), (OrderLine(3), slab))
    ]
    json.dumps(both, allow_nan=False)
    for machine in ("mex1", "vpp1", "pbf1"):
        mixed, first, second = (next(o for o in d["options"] if o["machine"] == machine) for d in (both, *alone))
        assert mixed["builds"] == 1
        assert mixed["parts_per_build"] == 5
        work = [one["work_min"]["p50"] for one in (mixed, first, second)]
        assert max(work[1:]) < work[0] < work[1] + work[2]
    assert [item["part"] for item in both["items"]] == ["box.stl", "slab.stl"]
    assert both["quantity"] == 5


def test_a_mixed_profile_is_the_parts_side_by_side(box, slab, shop):
    machine = shop.machines["mex1"]
    first, second = (ShapeFinder(mesh).shapes(machine)[0].profile for mesh in (box, slab))
    mixed = mean_profile((first, second), (2, 3))
    whole = 2 * first.area_mm2.sum() + 3 * second.area_mm2.sum()
    assert 5 * mixed.area_mm2.sum() == pytest.approx(whole, rel=1e-12)
    assert len(mixed.z_mm) == max(len(first.z_mm), len(second.z_mm))
    assert mixed.area_mm2[-1] * 5 == pytest.approx(2 * first.area_mm2[-1] if len(first.z_mm) > len(second.z_mm)
                                                   else 3 * second.area_mm2[-1])  # fmt: skip


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 90), st.integers(1, 90))
def test_every_part_of_an_order_is_in_some_build_once(box, slab, shop, order_of, first, second):
    second_machine = replace(shop.machines["mex1"], id="mex2")
    lab = replace(shop, machines={**shop.machines, "mex2": second_machine})
    found = find_options(order_of(OrderLine(first), OrderLine(second)), lab, [ShapeFinder(box), ShapeFinder(slab)])
    assert len(found.options) == 4
    assert found.shared
    for option in (*found.options, *found.shared):
        made = Counter()
        for build in option.builds:
            made.update(dict(build.contents))
        assert made == {0: first, 1: second}


def test_a_finish_is_done_for_its_parts_only(box, slab, always_open, order_of, certain):
    sanded, plain, both = (
        quote(order_of(OrderLine(4, finish=a), OrderLine(4, finish=b), processes=("MEX",)), always_open, [box, slab],
              Learned(certain), draws=20)
        for a, b in (("sanded", "supports_off"), ("supports_off", "supports_off"), ("sanded", "sanded"))
    )  # fmt: skip
    minutes = [
        {stage["stage"]: stage["p50_min"] for stage in one["options"][0]["stages"]} for one in (plain, sanded, both)
    ]
    assert "sanding" not in minutes[0]
    assert 0 < minutes[1]["sanding"] < minutes[2]["sanding"]


def test_parts_that_no_machine_can_make_together_go_their_own_ways(box, slab, shop, order_of):
    order = order_of(OrderLine(2, materials=("pla",)), OrderLine(3, materials=("pa12",)))
    document = quote(order, shop, [box, slab], LEARNED, draws=200)
    (option,) = document["options"]
    assert (option["process"], option["machine"], option["material"]) == ("MEX+PBF", "mex1+pbf1", "pla+pa12")
    assert {row["machine"]: row["parts"] for row in option["plan"]} == {"mex1": 2, "pbf1": 3}
    assert {one["machine"] for one in document["out"]} == {"mex1", "vpp1", "pbf1"}


def test_a_part_of_an_order_that_fits_nowhere_is_named(box, slab, shop, order_of):
    huge = replace(box, triangles=box.triangles * 40, bounds_mm=box.bounds_mm * 40, name="huge.stl")
    with pytest.raises(
        NoPlanError, match=r"No machine of the shop can make huge\.stl\. mex1, pbf1: too large: 2400 x 1600"
    ):
        quote(order_of(OrderLine(1), OrderLine(1)), shop, [slab, huge], LEARNED, draws=200)


# -- the file ----------------------------------------------------------------------------------------------------------

CSV = "part_file,qty,finish,material,needs\na.stl,3,sanded,pla+petg,\nsub/b.stl,12,,,snap+outdoor\n"
TOML = '[[part]]\npart_file = "a.stl"\nqty = 3\nfinish = "sanded"\nmaterial = ["pla", "petg"]\n' \
       '[[part]]\npart_file = "sub/b.stl"\nqty = 12\nneeds = "snap+outdoor"\n'  # fmt: skip


@pytest.mark.parametrize(
    ("name", "text"), [("o.csv", CSV), ("o.toml", TOML), ("o.csv", "\ufeff" + CSV.replace(",", ";"))]
)
def test_an_order_is_read_from_csv_and_toml_alike(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    first, second = read_order(path)
    assert first.part == tmp_path / "a.stl"
    assert first.line == OrderLine(3, finish="sanded", materials=("pla", "petg"))
    assert second.part == tmp_path / "sub" / "b.stl"
    assert second.line == OrderLine(12, needs=("snap", "outdoor"))
    assert is_order(path)
    assert not is_order(tmp_path / "a.stl")


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("o.csv", "", r'o.csv line 1: "part_file" is missing'),
        ("o.csv", "part_file,qty\n", "o.csv names no part"),
        ("o.csv", "part_file,qyt\na.stl,1\n", r'o.csv line 1: "qyt" is no column of an order. Did you mean "qty"'),
        ("o.csv", "part_file,qty\na.stl,0\n", r'o.csv line 2, column qty: "0": 1 part or more expected'),
        ("o.csv", "part_file,qty\na.stl,two\n", r'o.csv line 2, column qty: "two" is not a whole number'),
        ("o.csv", "part_file,qty\n\n,4\n", "o.csv line 3, column part_file: is empty"),
        ("o.csv", "part_file,qty,finish\na.stl,4,shiny\n", 'o.csv line 2, column finish: "shiny" is not known'),
        ("o.csv", "part_file,qty\n" + "a.stl,1\n" * 201, "201 rows: at most 200 parts make an order"),
        ("o.toml", "parts = 3\n", r"o.toml is no order: it holds only \[\[part\]\] tables"),
        ("o.toml", '[[part]]\npart_file = "a.stl"\n', 'o.toml line 1: "qty" is missing'),
    ],
)
def test_a_wrong_order_is_one_sentence_with_its_place(tmp_path, name, text, message):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=message):
        read_order(path)


def test_an_order_file_that_is_not_there_or_not_toml(tmp_path):
    with pytest.raises(UsageError, match=r"There is no order file .*o\.csv"):
        read_order(tmp_path / "o.csv")
    (tmp_path / "o.toml").write_text("[[part]\n", encoding="utf-8")
    with pytest.raises(ShopFileError, match=r"o\.toml is not valid TOML"):
        read_order(tmp_path / "o.toml")


def test_a_whole_order_from_its_file(tmp_path, box):
    (tmp_path / "shop.toml").write_text(shop_text("Europe/Berlin"), encoding="utf-8")
    record = np.zeros(len(box.triangles), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("rest", "<u2")])
    record["corner"] = box.triangles
    (tmp_path / "box.stl").write_bytes(b" " * 80 + np.uint32(len(record)).tobytes() + record.tobytes())
    (tmp_path / "o.csv").write_text("part_file,qty,finish\nbox.stl,3,\nbox.stl,2,sanded\n", encoding="utf-8")
    document = quote_order(tmp_path, tmp_path / "o.csv", QuoteAsk(("MEX",), start="2026-11-25T11:00", due="2026-12-18"))
    assert (document["part"], document["quantity"]) == ("o.csv", 5)
    assert document["options"][0]["on_time"] > 0.99
    assert document["options"][0]["builds"] == 1
