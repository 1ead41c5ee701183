"""A second material is changed to only in the layers where supports stand."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from default_shop import columns

from calib.baseline.build import explain
from calib.geometry.layer_profile import layer_profile
from calib.geometry.supports import find_supports
from calib.shop.patch import patched
from calib.shop.template import shop_text

LAYER = 0.2
SOLUBLE = patched(shop_text("UTC"), '[[material]]\nid = "pla"\nsoluble_supports = 1\n')


def ledge_at(z_mm):
    """A column of 20 x 20 x 200 mm with a ledge of 20 x 20 mm whose underside is at this height."""
    column, ledge = trimesh.creation.box((20, 20, 200)), trimesh.creation.box((20, 20, 4))
    column.apply_translation([10, 10, 100])
    ledge.apply_translation([30, 10, z_mm + 2])
    return np.array(trimesh.boolean.union([column, ledge], engine="manifold").triangles)


@pytest.mark.parametrize("z_mm", [8.0, 60.0, 180.0])
@pytest.mark.parametrize("known", ["layers", "volume and contact"])
def test_a_ledge_costs_changes_as_high_as_it_lies(z_mm, known):
    solid = ledge_at(z_mm)
    held, profile = find_supports(solid, 45), layer_profile(solid, LAYER)
    row = {"process": "MEX", "machine": "mex1", "material": "pla", "parts": 1.0, "part_volume_cm3": 81.6,
           "part_area_cm2": 170.4, "height_mm": 200.0, "support_volume_cm3": held.volume_cm3,
           "support_contact_cm2": held.contact_cm2}  # fmt: skip
    asked = columns(**row)
    if known == "layers":
        asked["profile"] = np.empty(1, object)
        asked["profile"][0] = replace(profile, support_mm2=held.sections_mm2(LAYER, len(profile.z_mm)))
    p = SOLUBLE.machines["mex1"].params
    one_change_s = p["tool_change_s"] + p["purge_mm3"] / p["melt_rate_mm3_s"]
    minutes = sum(term.minutes for term in explain(asked, SOLUBLE) if term.name == "tool changes")
    assert minutes == pytest.approx(z_mm / LAYER * 2 * one_change_s / 60, rel=0.03)
