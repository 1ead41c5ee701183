"""Powder bed fusion of polymer by laser: minutes of each term of warm-up, printing and cool-down."""

from __future__ import annotations

import numpy as np

from calib.baseline.build_inputs import Builds
from calib.baseline.heat import tabled_cake_cooling_s, warm_up_s
from calib.baseline.sections import averaged
from calib.baseline.term import Term, total

LAST_LAYERS = 0.75  # depth that is still hot when printing ends, over the bed's narrow side


def printing_terms(b: Builds) -> list[Term]:
    r"""Recoat and heating of every layer, blank ones too; hatch, contours and jumps shared by the lasers.

    .. math::  t = (N_s + N_b) (t_{recoat} + t_{heat}) + \frac{N_s}{n} \left(\frac{A}{h_s v} + \frac{c P}{v_c} +
               \frac{W}{h_s} t_j + m \frac{d}{v_j}\right)

    Parameters
    ----------
    b : builds in powder beds

    Returns
    -------
    Terms in minutes, shape (n,).

    References
    ----------
    Composition: Gibson, Rosen, Stucker 2015, eq. 16.7. Parameters: common practice, no source.
    """
    s, m = averaged(b), b.machine
    blank = (m["blank_first_mm"] + m["blank_last_mm"]) / b.layer_mm
    per_layer = m["recoat_s"] + m["layer_heat_s"]
    lasers = m["lasers"]
    hatch = s.layers * s.area_mm2 / m["hatch_mm"] / m["scan_speed_mm_s"] / lasers / 60.0
    contours = s.layers * m["contours"] * s.perimeter_mm / m["contour_speed_mm_s"] / lasers / 60.0
    apart = np.sqrt(b.bed_mm.prod(axis=1) / np.maximum(s.contours, 1.0))
    turns = s.line_width_mm / m["hatch_mm"] * m["jump_delay_s"]
    jumps = s.layers * (turns + s.contours * apart / m["jump_speed_mm_s"]) / lasers / 60.0
    return [
        Term("recoat and heating", s.layers * per_layer / 60.0, "layers x (recoat + heating)",
              {"layers": s.layers, "recoat_s": m["recoat_s"], "layer_heat_s": m["layer_heat_s"]}),
        Term("hatch", hatch, "layers x section / hatch / speed / lasers",
              {"layers": s.layers, "section_cm2": s.area_mm2 / 100.0, "hatch_mm": m["hatch_mm"],
               "scan_speed_mm_s": m["scan_speed_mm_s"], "lasers": lasers}),
        Term("contours", contours, "layers x passes x perimeter / speed / lasers",
              {"layers": s.layers, "perimeter_mm": s.perimeter_mm, "contours": m["contours"],
               "contour_speed_mm_s": m["contour_speed_mm_s"]}),
        Term("jumps", jumps, "layers x (lines x delay + contours x distance / jump speed) / lasers",
              {"layers": s.layers, "jump_delay_s": m["jump_delay_s"], "jump_speed_mm_s": m["jump_speed_mm_s"]}),
        Term("start sequence", m["start_sequence_min"], "start sequence",
              {"start_sequence_min": m["start_sequence_min"]}),
        Term("blank layers", blank * per_layer / 60.0, "(powder below + above the parts) / layer x (recoat + heating)",
              {"blank_first_mm": m["blank_first_mm"], "blank_last_mm": m["blank_last_mm"], "layer_mm": b.layer_mm}),
    ]  # fmt: skip


def warm_up_terms(b: Builds) -> list[Term]:
    r"""Heating with soak, inert gas beside it: the longer counts.

    .. math::  t = \max\left(-\tau \ln \frac{T_{max} - T_{bed}}{T_{max} - T_0} + t_{soak},\; t_{inert}\right)

    Parameters
    ----------
    b : builds in powder beds

    Returns
    -------
    Terms in minutes.

    References
    ----------
    First-order heating (``heat.warm_up_s``); parameters: common practice, no source.
    """
    m, bed_c = b.machine, b.material["powder_bed_c"]
    heating = warm_up_s(m["ambient_c"], bed_c, m["powder_reach_c"], m["powder_tau_min"])
    longer = np.maximum(m["inert_min"] - heating - m["soak_min"], 0.0)
    inputs = {"tau_min": m["powder_tau_min"], "set_c": bed_c, "reach_c": m["powder_reach_c"]}
    return [
        Term("heating", heating, "-tau ln((reach - set) / (reach - room))", inputs),
        Term("soak", m["soak_min"], "soak", {"soak_min": m["soak_min"]}),
        Term("inert gas beyond that", longer, "inert - heating - soak, where positive", {"inert_min": m["inert_min"]}),
    ]


def cool_down_terms(b: Builds) -> list[Term]:
    r"""Conduction in the cake until its core may be opened, less what has cooled while printing.

    .. math::  t = \max\left(t_{cake}(H) - \tfrac{1}{2} s\, t_{print},\;
               t_{cake}(\min(H, \tfrac{3}{4} B)),\; t_{least}\right)

    Parameters
    ----------
    b : builds in powder beds; the cake fills the bed up to the build's height and blank layers

    Returns
    -------
    Terms in minutes.

    Notes
    -----
    Lower layers have cooled while upper ones were printed: a share s of half the printing time counts. The last layers
    are hot when printing ends, however long it took, and keep warm what lies below them as deep as the bed is wide: at
    least a cake of three quarters of the bed's narrow side B has still to cool. An insulated bottom is a plane of
    symmetry: H is then twice the height.

    References
    ----------
    Product of three plane walls (``heat.cake_cooling_s``); powder properties from memory, to be fitted. The three
    quarters lie above our own finite-difference cakes that grow while they cool (``tests/baseline/test_growing_cake``).
    """
    m = b.machine
    height = b.cake_cm3 * 1000.0 / b.bed_mm.prod(axis=1) * (1.0 + m["insulated_bottom"])
    last_layers = np.minimum(height, LAST_LAYERS * b.bed_mm.min(axis=1))
    cake, inputs = _cake_min(b, height)
    still_hot, _ = _cake_min(b, last_layers)
    started = -np.minimum(m["head_start_share"] * 0.5 * total(printing_terms(b)), np.maximum(cake - still_hot, 0.0))
    least = np.maximum(m["cool_least_min"] - cake - started, 0.0)
    return [
        Term("conduction in the cake", cake, "product of three plane-wall series, solved for the time", inputs,
              "Cengel, Heat and Mass Transfer, sec. 4-2 and 4-4; powder properties from memory, to be fitted"),
        Term("cooled while printing", started, "-share x printing / 2, down to what the last layers need",
              {"head_start_share": m["head_start_share"], "last_layers_min": still_hot}),
        Term("up to the shop's least", least, "least - the above, where positive",
              {"cool_least_min": m["cool_least_min"]}),
    ]  # fmt: skip


SURE_SHARE = 0.5  # of the conduction's time, which no log or correction undercuts; see least_cool_min


def least_cool_min(b: Builds) -> np.ndarray:
    """Least cool-down to the opening temperature, NaN where the cake's size is not known, shape (n,) [min].

    Half of what conduction takes where every side is exposed, less all that may have cooled while printing: the cake would
    have to conduct twice as well as computed. Published conductivities of PA12 powder lie within about that factor (from
    memory); a shop that has measured its own states them.
    """
    cake, _ = _cake_min(b, b.cake_cm3 * 1000.0 / b.bed_mm.prod(axis=1))
    started = np.minimum(b.machine["head_start_share"] * 0.5 * total(printing_terms(b)), cake)
    return np.where(b.cake_known, SURE_SHARE * (cake - started), np.nan)


def _cake_min(b: Builds, height: np.ndarray) -> tuple[np.ndarray, dict[str, float | np.ndarray]]:
    """Minutes of conduction of cakes so high [mm], and what they depend on; one table for each machine with each material."""
    m, p = b.machine, b.material
    open_c = np.where(np.isnan(b.floors["cool_to_c"]), p["open_c"], b.floors["cool_to_c"])
    packing = np.clip(b.volume_cm3 / b.cake_cm3, 0.0, 0.8)
    theta = (open_c - m["ambient_c"]) / (p["powder_bed_c"] - m["ambient_c"])
    heat = p["heat_j_kg_k"]

    def powder_of(row: int) -> tuple[float, float, float, float]:
        k, solid_k, rho_c, solid_rho_c = (float(values[row]) for values in powder)
        return k, solid_k, rho_c, solid_rho_c

    powder = (p["powder_k_w_m_k"], p["solid_k_w_m_k"], p["powder_rho_kg_m3"] * heat, 1000.0 * p["density_g_cm3"] * heat)
    minutes = np.empty(len(b))
    pairs = m.codes * (p.codes.max() + 1) + p.codes
    for pair in np.unique(pairs):
        own = np.flatnonzero(pairs == pair)
        row = own[0]
        minutes[own] = tabled_cake_cooling_s(
            height[own], packing[own], (float(b.bed_mm[row, 0]), float(b.bed_mm[row, 1])), float(theta[row]),
            float(m["film_w_m2_k"][row]), powder_of(row),
        ) / 60.0  # fmt: skip
    inputs = {"cooling_height_mm": height, "packing": packing, "open_c": open_c, "bed_c": p["powder_bed_c"],
              "film_w_m2_k": m["film_w_m2_k"]}  # fmt: skip
    return minutes, inputs
