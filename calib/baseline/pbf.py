"""Powder bed fusion of polymer by laser: seconds of each term of warm-up, printing and cool-down."""

from __future__ import annotations

import numpy as np

from calib.baseline.columns import Builds
from calib.baseline.heat import tabled_cake_cooling_s, warm_up_s

Terms = dict[str, np.ndarray]


def printing_terms(b: Builds) -> Terms:
    """Layers x (recoat + heating) + hatch (volume over layer x spacing x speed) + contours + jumps, over the lasers."""
    m = b.machine
    layers = (b.height_mm + m["blank_first_mm"] + m["blank_last_mm"]) / b.layer_mm
    hatch_mm = b.volume_mm3 / (b.layer_mm * m["hatch_mm"])
    line_mm = np.clip(np.sqrt(b.volume_mm3 / b.parts / 30.0), 2.0, 60.0)
    return {
        "recoat and heating": layers * (m["recoat_s"] + m["layer_heat_s"]),
        "hatch": hatch_mm / m["scan_speed_mm_s"] / m["lasers"],
        "jumps": hatch_mm / line_mm * m["jump_delay_s"] / m["lasers"],
        "contours": m["contours"] * 0.7 * b.area_mm2 / b.layer_mm / m["contour_speed_mm_s"] / m["lasers"],
        "start sequence": m["start_sequence_min"] * 60,
    }


def warm_up_terms(b: Builds) -> Terms:
    """Heating with soak, inerting beside it: the longer counts."""
    m, bed = b.machine, b.material["powder_bed_c"]
    reach = np.maximum(m["powder_reach_c"], bed + 5)
    heating = warm_up_s(m["ambient_c"], bed, reach, 60 * m["powder_tau_min"]) + 60 * m["soak_min"]
    return {"heating and soak, or inerting": np.maximum(heating, 60 * m["inert_min"])}


def cool_down_terms(b: Builds) -> Terms:
    """Transient conduction in the cake to the safe temperature of its core, less what cooled while printing."""
    m, p = b.machine, b.material
    limits = np.array([floors.get("cool_to_c") or np.nan for floors in b.floors])
    to_c = np.where(np.isnan(limits), p["open_c"], limits)
    theta = np.clip((to_c - m["ambient_c"]) / (p["powder_bed_c"] - m["ambient_c"]), 0.01, 0.99)
    height = np.minimum(b.cake_cm3 * 1000 / (b.size_mm[:, 0] * b.size_mm[:, 1]), b.size_mm[:, 2] * 1.2)
    packing = np.clip(b.volume_mm3 / 1000 / b.cake_cm3, 0.0, 0.8)
    powder = [
        p["powder_k_w_m_k"],
        p["solid_k_w_m_k"],
        p["powder_rho_kg_m3"] * p["heat_j_kg_k"],
        1000 * p["density_g_cm3"] * p["heat_j_kg_k"],
    ]
    key = np.column_stack([b.size_mm[:, :2], theta, m["film_w_m2_k"], *powder])
    seconds = np.empty(len(height))
    for one in np.unique(key, axis=0):
        x, y, ratio, film, *conduction = one.tolist()
        own = (key == one).all(axis=1)
        seconds[own] = tabled_cake_cooling_s(height[own], packing[own], (x, y), ratio, film, tuple(conduction))
    head_start = m["head_start_share"] * 0.5 * sum(printing_terms(b).values())
    return {"conduction in the cake": np.maximum(seconds - head_start, m["cool_least_min"] * 60)}
