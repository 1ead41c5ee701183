"""A build that was quoted and a log row of the same build have the same baseline in every stage."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import trimesh

from calib.baseline.build import build_minutes
from calib.geometry.read_mesh import read_mesh
from calib.quoting.columns import build_columns
from calib.quoting.options import find_options
from calib.quoting.planned_builds import planned_builds
from calib.quoting.request import Line, QuoteRequest
from calib.quoting.shape import ShapeFinder
from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text
from calib.store.open_store import open_store
from calib.store.parts import find_parts, save_parts
from calib.workflow.baselines import baseline_frame
from calib.workflow.parts import measured_part, with_measured

SCANNED = (
    '\n[[machine]]\nid = "vpp2"\nprocess = "VPP"\nkind = "scanned"\nbuild_mm = [200, 200, 220]\nmaterials = ["resin"]\n'
)
BARE = ["build_id", "process", "machine", "material", "finish", "difficulty", "parts", "part_file", "order_id"]


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
    """Boxes, tables, cups and tilted blocks of many sizes."""
    rng = np.random.default_rng(5)
    for number in range(count):
        size = rng.uniform(6, 70, 3)
        solid = trimesh.creation.box(size)
        if number % 3 == 1:  # legs: overhangs
            hole = trimesh.creation.box(size * [1.1, 0.6, 0.7])
            hole.apply_translation([0, 0, -0.2 * size[2]])
            solid = trimesh.boolean.difference([solid, hole], engine="manifold")
        if number % 3 == 2:
            solid.apply_transform(trimesh.transformations.euler_matrix(*rng.uniform(0, 3, 3)))
        solid.export(folder / f"part_{number}.stl")
        yield read_mesh(folder / f"part_{number}.stl")


def builds_of(mesh, shop, quantity, materials):
    request = QuoteRequest((Line(quantity, materials=materials),), pd.Timestamp("2026-11-25 11:00", tz="UTC"))
    for option in find_options(request, shop, [ShapeFinder(mesh)]).options:
        for build in dict.fromkeys(option.builds):
            yield option, build


def compared(lab, count):
    """Builds tried, and those of which a log row's baselines differ from the quote's."""
    shop, rng, tried, off = read_shop(lab), np.random.default_rng(9), 0, []
    for mesh in parts(lab, count):
        quantity = int(rng.integers(1, 90))
        for materials in ((), ("petg",)) if quantity % 2 else ((),):
            for option, build in builds_of(mesh, shop, quantity, materials):
                columns = build_columns(option, [build], shop.machines)
                quoted = dict(
                    zip(*(getattr(build_minutes(columns, shop), name) for name in ("stage", "minutes")), strict=True)
                )
                with open_store(lab) as store:
                    save_parts(store, [measured_part(option.piece_of(build).shape, quantity)])
                    known = find_parts(store)
                plan = planned_builds(replace(option, builds=(build,)), shop)[0]
                row = {**plan, "build_id": "B1", "order_id": None}
                for names in (list(row), BARE):  # as planned, and with the part's name alone
                    log = pd.DataFrame([{name: row[name] for name in names}])
                    kept = {key: [one for one in poses if one.quantity == quantity] for key, poses in known.items()}
                    frame = baseline_frame(with_measured(log, kept, shop), shop)
                    logged = dict(zip(frame["stage"], frame["baseline_min"], strict=True))
                    tried += 1
                    assert set(frame["basis"]) == {"profile"}
                    if logged != pytest.approx(quoted, rel=2e-4):
                        off.append((mesh.name, build.machine, build.parts, names == BARE, {
                            stage: (quoted[stage], minutes) for stage, minutes in logged.items()
                            if minutes != pytest.approx(quoted[stage], rel=2e-4)}))  # fmt: skip
    return tried, off


def test_rows_of_twenty_builds_agree(lab):
    tried, off = compared(lab, 2)
    assert tried >= 20
    assert not off, off[:3]


@pytest.mark.slow
def test_rows_of_two_hundred_builds_agree(lab):
    tried, off = compared(lab, 25)
    assert tried >= 200
    assert not off, f"{len(off)} of {tried}: {off[:3]}"
