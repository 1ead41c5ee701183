"""Vat photopolymerization, by mask or by laser: minutes of each term of warm-up and printing."""

from __future__ import annotations

import numpy as np

from calib.baseline.build_inputs import Builds
from calib.baseline.exposure import laser_speed_mm_s, masked_exposure_s
from calib.baseline.heat import warm_up_s
from calib.baseline.sections import Sections, averaged
from calib.baseline.term import Term

CURVE = "working curve: Jacobs 1992; Gibson, Rosen, Stucker 2015, eq. 4.16 and 4.23"


def printing_terms(b: Builds) -> list[Term]:
    r"""Layers of light and of what lies between them.

    .. math::  t = N (t_{light} + t_{lift} + t_{return} + t_{settle} + t_{recoat}) +
               (N_1 + N_t / 2) (f_1 - 1) t_{light} + t_{start}

    Parameters
    ----------
    b : builds on machines with masked or scanned light; height with supports and raft

    Returns
    -------
    Terms in minutes, shape (n,).

    Notes
    -----
    A mask shows the whole plate at once: its light does not depend on how much is filled. A laser draws every part.

    References
    ----------
    Working curve; composition: Gibson, Rosen, Stucker 2015, eq. 16.7 and 16.8. Parameters: common practice, no source.
    """
    s, m = averaged(b), b.machine
    light = masked_layer_s(b) if b.kind == "masked" else scanned_layer_s(b, s)
    lift = m["lift_mm"] * (1.0 / m["lift_speed_mm_s"] + 1.0 / m["return_speed_mm_s"])
    between = m["settle_s"] + m["tilt_s"] + m["recoat_s"]
    first = np.minimum(m["first_layers"], s.layers)
    falling = np.minimum(m["transition_layers"], s.layers - first)
    if b.kind == "masked":
        shown = {"exposure_set_s": b.exposure_s, "irradiance_mw_cm2": m["irradiance_mw_cm2"]}
    else:
        shown = {"section_cm2": s.area_mm2 / 100.0, "hatch_mm": m["hatch_mm"]}
    return [
        Term("light", s.layers * light / 60.0, "layers x light",
              {"layers": s.layers, "light_s": light, **shown}, CURVE),
        Term("first layers", first * (m["first_factor"] - 1.0) * light / 60.0, "first layers x (factor - 1) x light",
              {"first_layers": first, "first_factor": m["first_factor"], "light_s": light}),
        Term("transition layers", 0.5 * falling * (m["first_factor"] - 1.0) * light / 60.0,
              "transition layers x (factor - 1) / 2 x light",
              {"transition_layers": falling, "first_factor": m["first_factor"], "light_s": light}),
        Term("peel, lift and return", s.layers * lift / 60.0, "layers x lift x (1 / lift speed + 1 / return speed)",
              {"layers": s.layers, "lift_mm": m["lift_mm"], "lift_speed_mm_s": m["lift_speed_mm_s"],
               "return_speed_mm_s": m["return_speed_mm_s"]}),
        Term("settling, tilt, recoat", s.layers * between / 60.0, "layers x (settling + tilt + recoat)",
              {"layers": s.layers, "settle_s": m["settle_s"], "tilt_s": m["tilt_s"], "recoat_s": m["recoat_s"]}),
        Term("slower lift of large sections", s.layers * m["lift_area_s_cm2"] * s.area_mm2 / 6000.0,
              "layers x slower lift x section",
              {"lift_area_s_cm2": m["lift_area_s_cm2"], "section_cm2": s.area_mm2 / 100.0}),
        Term("start sequence", m["start_sequence_min"], "start sequence",
              {"start_sequence_min": m["start_sequence_min"]}),
    ]  # fmt: skip


def _curve(b: Builds) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wanted cure depth [mm], Dp [mm] (less with more absorber) and Ec [mJ/cm2] of each build."""
    depth = b.layer_mm + b.machine["overcure_mm"]
    return depth, b.material["penetration_mm"] / b.material["absorber_ratio"], b.material["critical_mj_cm2"]


def masked_layer_s(b: Builds) -> np.ndarray:
    """Light on one layer: as set on the machine, else from the working curve, shape (n,) [s]."""
    needed = masked_exposure_s(*_curve(b), b.machine["irradiance_mw_cm2"])
    return np.where(np.isnan(b.exposure_s), needed, b.exposure_s)


def scanned_layer_s(b: Builds, s: Sections) -> np.ndarray:
    r"""Laser on one layer: hatch, contours, and the jump at each line.

    .. math::  t = \left(\frac{A}{h_s V_s} + \frac{c P}{V_c} + \frac{W}{h_s} t_j\right) / n

    Parameters
    ----------
    b : builds on scanned machines
    s : their mean sections, with area A, perimeter P and line width W; supports are drawn too

    Returns
    -------
    Seconds, shape (n,).

    References
    ----------
    Speed: Gibson, Rosen, Stucker 2015, eq. 4.16, at most what the mirrors do.
    """
    m = b.machine
    curing = laser_speed_mm_s(*_curve(b), m["laser_power_mw"], m["beam_radius_mm"])
    drawn = s.area_mm2 + m["support_density_share"] * s.support_mm2
    hatched = drawn / m["hatch_mm"] / np.minimum(curing, m["scan_speed_mm_s"])
    contours = m["contours"] * s.perimeter_mm / np.minimum(curing, m["contour_speed_mm_s"])
    jumps = s.line_width_mm / m["hatch_mm"] * m["jump_delay_s"]
    seconds: np.ndarray = (hatched + contours + jumps) / m["lasers"]
    return seconds


def warm_up_terms(b: Builds) -> list[Term]:
    r"""Resin to its temperature, then soak; nothing where the resin is not heated.

    .. math::  t = -\tau \ln \frac{T_{max} - T_{set}}{T_{max} - T_0} + t_{soak}

    Parameters
    ----------
    b : builds on resin machines

    Returns
    -------
    Terms in minutes.

    References
    ----------
    First-order heating (``heat.warm_up_s``); parameters: common practice, no source.
    """
    m, set_c = b.machine, b.material["resin_c"]
    heating = warm_up_s(m["ambient_c"], set_c, m["resin_reach_c"], m["resin_tau_min"])
    inputs = {"tau_min": m["resin_tau_min"], "set_c": set_c, "reach_c": m["resin_reach_c"]}
    return [
        Term("resin", heating, "-tau ln((reach - set) / (reach - room))", inputs),
        Term("stirring and filling", m["fill_min"], "stirring and filling", {"fill_min": m["fill_min"]}),
        Term("soak", m["soak_min"], "soak", {"soak_min": m["soak_min"]}),
    ]
