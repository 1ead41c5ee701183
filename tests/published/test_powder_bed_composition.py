"""Build time as scan + recoat: I. Gibson, D. Rosen, B. Stucker 2015, eq. 16.7 and 16.8 (seen)."""

from __future__ import annotations

import numpy as np
import pytest

from calib.baseline.build import explain
from calib.shop.read_shop import shop_from_text

SHOP = """
[shop]
timezone = "UTC"
[[machine]]
id = "bed"
process = "PBF"
build_mm = [300, 300, 400]
layer_mm = 0.1
hatch_mm = 0.25
scan_speed_mm_s = 5000
recoat_s = 10
layer_heat_s = 0
blank_first_mm = 0
blank_last_mm = 0
"""


def terms(**columns):
    named = {"process": "PBF", "machine": "bed", "parts": 1.0, **columns}
    arrays = {name: np.array([value], object if isinstance(value, str) else float) for name, value in named.items()}
    return {t.name: t.minutes for t in explain(arrays, shop_from_text(SHOP)) if t.stage == "printing"}


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 16.7", "equation seen, numbers computed")
def test_hundred_square_centimetres_over_two_thousand_layers():
    # 100 cm2, hatch 0.25 mm, 5 m/s: 8 s a layer; recoat 10 s; 2,000 layers: 36,000 s (computed from eq. 16.7)
    found = terms(part_volume_cm3=2000.0, height_mm=200.0)
    assert found["hatch"] * 60 == pytest.approx(2000 * 8.0)
    assert found["recoat and heating"] * 60 == pytest.approx(2000 * 10.0)


@pytest.mark.outside("Gibson, Rosen, Stucker 2015, eq. 16.7 and 16.8", "seen")
def test_layers_and_area_add_up():
    # eq. 16.7: recoating goes with layers alone, scanning with the total area alone
    low, high = terms(part_volume_cm3=100.0, height_mm=50.0), terms(part_volume_cm3=100.0, height_mm=100.0)
    assert high["recoat and heating"] == pytest.approx(2 * low["recoat and heating"])
    assert high["hatch"] == pytest.approx(low["hatch"])
