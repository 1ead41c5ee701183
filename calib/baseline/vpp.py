"""Vat photopolymerization: seconds of each term of warm-up and printing, by mask or by laser."""

from __future__ import annotations

import numpy as np

from calib.baseline.columns import Builds
from calib.baseline.exposure import laser_speed_mm_s, masked_exposure_s
from calib.baseline.heat import warm_up_s

Terms = dict[str, np.ndarray]


def printing_terms(b: Builds) -> Terms:
    """Layers x (exposure + lift + return + settling + recoat); a mask exposes all parts at once, a laser one by one."""
    m = b.machine
    dp = b.material["penetration_mm"] / b.material["absorber_ratio"]
    critical, depth = b.material["critical_mj_cm2"], b.layer_mm + m["overcure_mm"]
    layers = np.maximum(b.height_mm / b.layer_mm, 1)
    lift = m["lift_mm"] / m["lift_speed_mm_s"] + m["lift_mm"] / m["return_speed_mm_s"]
    section_cm2 = (b.volume_mm3 + b.support_mm3) / np.maximum(b.height_mm, 1) / 100
    masked = b.kind == "masked"
    with np.errstate(divide="ignore", invalid="ignore"):
        shown = layers * masked_exposure_s(depth, dp, critical, np.where(masked, m.get("irradiance_mw_cm2", 1.0), 1.0))
        if (~masked).any():
            usual = laser_speed_mm_s(depth, dp, critical, m["laser_power_mw"], np.maximum(m["beam_radius_mm"], 1e-3))
            speed = np.minimum(np.maximum(usual, 1.0), np.maximum(m["scan_speed_mm_s"], 1.0))
            hatched = (b.volume_mm3 + b.support_mm3) / (b.layer_mm * np.maximum(m["hatch_mm"], 1e-3)) / speed
            contour = m["contours"] * b.area_mm2 / b.layer_mm / np.maximum(m["contour_speed_mm_s"], 1.0)
            scanned = (hatched + contour) / np.maximum(m["lasers"], 1)
        else:
            scanned = np.zeros_like(shown)
    light = np.where(masked, shown, scanned)
    first = light / layers * m["first_layers"] * (m["first_factor"] - 1)
    return {
        "exposure": light,
        "first layers": first,
        "lift and return": layers * lift,
        "settling, tilt, recoat": layers * (m["settle_s"] + m["tilt_s"] + m["recoat_s"]),
        "slower lift of large sections": layers * m["lift_area_s_cm2"] * section_cm2,
        "start sequence": m["start_sequence_min"] * 60,
    }


def warm_up_terms(b: Builds) -> Terms:
    m, resin = b.machine, b.material["resin_c"]
    reach = np.maximum(m["resin_reach_c"], resin + 1)
    return {
        "resin": warm_up_s(m["ambient_c"], resin, reach, 60 * 60 * m["resin_tau_min"]),
        "soak": 60 * m["soak_min"],
    }
