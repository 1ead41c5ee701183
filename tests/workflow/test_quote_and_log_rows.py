"""A build that was quoted and a log row of the same build have the same baseline in every stage."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import trimesh

from calib.baseline.build import build_minutes
from calib.geometry.read_mesh import read_mesh
from calib.quoting.build_rows import build_columns, planned_builds
from calib.quoting.options import find_options
from calib.quoting.request import OrderLine, QuoteRequest
from calib.quoting.shape import ShapeFinder
from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text
from calib.store.open_store import open_store
from calib.store.parts import find_contents, find_parts, save_parts
from calib.workflow.baselines import baseline_frame
from calib.workflow.parts import contents_of, measured_part, planned_items, with_measured
from calib.workflow.queue import awaited_builds

SCANNED = (
    '\n[[machine]]\nid = "vpp2"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = [200, 200, 220]\nmaterials = ["resin"]\n'
)
LONG = os.environ.get("CALIB_LONG") == "1"  # two hundred builds instead of sixty
BARE = ["process", "machine", "material", "finish", "difficulty", "parts", "part_file"]


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("calib.geometry.hollows.FINER", 1)  # the finer look at narrow openings takes long


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab")
    text = shop_text("Europe/Berlin").replace('id = "petg"\n', 'id = "petg"\nsoluble_supports = 1\n')
    (folder / "shop.toml").write_text(
        text.replace("\n# --- materials", SCANNED + "\n# --- materials", 1), encoding="utf-8"
    )
    with open_store(folder, create=True):
        pass
    return folder


def parts(folder, count):
    """Boxes, tables, tilted blocks and cases with a drain hole, of many sizes."""
    rng = np.random.default_rng(5)
    for number in range(count):
        size = rng.uniform(6, 70, 3)
        solid = trimesh.creation.box(size)
        if number % 4 == 3:  # legs: overhangs
            hole = trimesh.creation.box(size * [1.1, 0.6, 0.7])
            hole.apply_translation([0, 0, -0.2 * size[2]])
            solid = trimesh.boolean.difference([solid, hole], engine="manifold")
        if number % 4 == 2:
            solid.apply_transform(trimesh.transformations.euler_matrix(*rng.uniform(0, 3, 3)))
        if number % 4 == 1:
            drain = trimesh.creation.box((4, 4, size[2]))
            drain.apply_translation([0, 0, 0.5 * size[2]])
            inner = [trimesh.creation.box(np.maximum(size - 3, 4.5)), drain]
            solid = trimesh.boolean.difference([solid, *inner], engine="manifold")
        solid.export(folder / f"part_{number}.stl")
        yield read_mesh(folder / f"part_{number}.stl")


def builds_of(meshes, shop, quantities, materials):
    lines = tuple(OrderLine(quantity, materials=materials) for quantity in quantities)
    request = QuoteRequest(lines, pd.Timestamp("2026-11-25 11:00", tz="UTC"))
    for option in find_options(request, shop, [ShapeFinder(mesh) for mesh in meshes]).options:
        for build in dict.fromkeys(option.builds):
            yield option, build


def compared(lab, count):
    """Builds tried, of one part and of several, and those of which a log row's baselines differ from the quote's."""
    shop, rng, tried, off = read_shop(lab), np.random.default_rng(9), [0, 0], []
    meshes = list(parts(lab, count))
    orders = [[mesh] for mesh in meshes] + [meshes[at : at + 2 + at % 2] for at in range(0, count - 1, 3)]
    for order in orders:
        quantities = [int(one) for one in rng.integers(1, 90 if len(order) == 1 else 9, len(order))]
        for materials in ((), ("petg",)) if quantities[0] % 2 else ((),):
            for option, build in builds_of(order, shop, quantities, materials):
                mixed = len(build.contents) > 1
                if mixed == (len(order) == 1):
                    continue
                quoted = minutes_of(build_columns(option, [build], shop.machines), shop)
                for is_bare, logged in logged_minutes(lab, shop, option, build):
                    tried[mixed] += 1
                    if logged != pytest.approx(quoted, rel=2e-4):
                        off.append((order[0].name, build.machine, build.contents, is_bare, {
                            stage: (quoted[stage], minutes) for stage, minutes in logged.items()
                            if minutes != pytest.approx(quoted[stage], rel=2e-4)}))  # fmt: skip
    return tried, off


def minutes_of(columns, shop):
    base = build_minutes(columns, shop)
    return dict(zip(base.stage, base.minutes, strict=True))


def logged_minutes(lab, shop, option, build):
    """Baselines of the build as it waits once the quote is accepted, and of its log row with its parts' names alone."""
    held = [(option.pieces[at], copies) for at, copies in build.contents]
    with open_store(lab) as store:
        save_parts(store, [measured_part(piece.shape, copies) for piece, copies in held])
        known = find_parts(store)
    kept = {(piece.name, piece.process): [one for one in known[piece.name, piece.process] if one.quantity == copies]
            for piece, copies in held}  # fmt: skip
    plan = planned_builds(replace(option, builds=(build,)), shop)[0]
    document = {"options": [{"plan": [plan]}]}
    order = {"quote_id": "Q1", "order_id": None, "accepted_at": 1, "accepted_option": 0, "builds": []}
    waits = awaited_builds([order | {"document": document}])
    bare = pd.DataFrame([{"part_file": None, **{name: plan[name] for name in BARE if name in plan}, "build_id": "B1"}])
    items = {"B1": tuple((piece.name, copies) for piece, copies in held)}
    for row, inside in ((waits, planned_items(waits)), (bare, items)):
        frame = baseline_frame(with_measured(row, contents_of(row, inside), kept, shop), shop)
        assert set(frame["basis"]) == {"profile"}
        yield row is bare, dict(zip(frame["stage"], frame["baseline_min"], strict=True))


def test_rows_of_twenty_builds_agree(lab):
    (single, mixed), off = compared(lab, 2)
    assert single >= 20 and mixed >= 2
    assert not off, off[:3]


@pytest.mark.slow
def test_rows_of_many_builds_agree(lab):
    (single, mixed), off = compared(lab, 17 if LONG else 5)
    assert single + mixed >= (220 if LONG else 60)
    assert not off, f"{len(off)} of {single} + {mixed}: {off[:3]}"


def test_a_build_holds_its_items_where_they_are_all_its_parts(lab):
    items = {"B1": (("a.stl", 2), ("b.stl", 1)), "B3": (("a.stl", 2),)}
    builds = pd.DataFrame(
        {
            "build_id": ["B1", "B2", "B3", "B4", "B1"],
            "parts": [3, 4, 9, 5, np.nan],
            "part_file": [None, None, None, "c.stl", ""],
        }
    )
    assert contents_of(builds, items) == [items["B1"], (), (), (("c.stl", 5),), ()]
    with open_store(lab) as store:
        rows = [("B1", "b.stl", 1), ("B1", "a.stl", 2), ("B1", "a.stl", 1), ("B2", None, 1), ("B2", "a.stl", 1)]
        for build, name, copies in rows:
            store.execute(
                "INSERT INTO item (row_key, file_id, line, raw_hash, build_id, part_file, qty) VALUES (uuid(), 1, 1, 1, ?, ?, ?)",
                [build, name, copies],
            )
        assert find_contents(store) == {"B1": (("a.stl", 3), ("b.stl", 1))}
