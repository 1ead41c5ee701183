"""Material is paid for as it is laid: a part as it is filled, a support as dense as it is, of powder the part."""

from dataclasses import replace

import pytest
import trimesh

from calib.geometry.read_mesh import read_mesh
from calib.quoting.document import quote
from calib.quoting.learned import Learned

PRICE = 100.0  # a kilogram


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """A plate of 40 x 40 x 4 mm on a leg of 8 x 8 x 30 mm: whichever side is down, something overhangs."""
    leg, top = trimesh.creation.box((8, 8, 30)), trimesh.creation.box((40, 40, 4))
    top.apply_translation((10, 10, 12))
    path = tmp_path_factory.mktemp("part") / "table.stl"
    trimesh.boolean.union([leg, top], engine="manifold").export(path)
    return read_mesh(path)


def material(mesh, shop, request_for, certain, process, **params):
    machines = {name: replace(one, params={**one.params, **{k: v for k, v in params.items() if k in one.params}})
                for name, one in shop.machines.items()}  # fmt: skip
    materials = {name: replace(one, price_per_kg=PRICE) for name, one in shop.materials.items()}
    costs = {"waste_share": 0.0, "refresh_share": 0.0}
    priced = replace(shop, currency="EUR", costs=costs, machines=machines, materials=materials)
    option = quote(request_for(1, processes=(process,)), priced, [mesh], Learned(certain), draws=20)["options"][0]
    density = shop.materials[option["material"]].params["density_g_cm3"]
    return option["cost"]["usual"]["material"] * 1000.0 / PRICE / density, option["poses"][0]["support_cm3"]


def test_extrusion_pays_for_what_its_nozzle_lays(box, shop, request_for, certain):
    full, _ = material(box, shop, request_for, certain, "MEX", infill_share=1.0, brim_mm=0.0)
    assert full == pytest.approx(48.0, rel=0.01)  # 60 x 40 x 20 mm
    # by hand, on its 60 x 40 side: two and a half walls of 0.44 mm round 100 layers, eight full layers, the rest at 20 %
    laid, _ = material(box, shop, request_for, certain, "MEX", infill_share=0.2)
    inner = (60 - 2.2) * (40 - 2.2) / 1000
    assert laid == pytest.approx(48 - 0.8 * inner * (20 - 8 * 0.2), rel=0.03)


def test_a_support_is_paid_for_as_dense_as_it_is(table, shop, request_for, certain):
    volume = (8 * 8 * 30 + 40 * 40 * 4 - 8 * 8 * 4) / 1000
    for density in (0.1, 0.5):
        laid, space = material(table, shop, request_for, certain, "VPP", support_density_share=density)
        assert space > 0.2
        assert laid == pytest.approx(volume + density * space, rel=0.02)


def test_powder_pays_for_its_parts_and_for_no_support(table, shop, request_for, certain):
    laid, _ = material(table, shop, request_for, certain, "PBF")
    assert laid == pytest.approx((8 * 8 * 30 + 40 * 40 * 4 - 8 * 8 * 4) / 1000, rel=0.01)
