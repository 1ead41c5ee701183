"""Material extrusion: minutes of each term of warm-up, printing and cool-down."""

from __future__ import annotations

import numpy as np

from calib.baseline.build_inputs import Builds, Params
from calib.baseline.heat import lumped_cooling_s, warm_up_s
from calib.baseline.motion import bead_section_mm2, curve_limited_mm_s, flow_limited_mm_s, move_s
from calib.baseline.sections import Sections, mean_sections, profile_sections, repeated
from calib.baseline.term import Numbers, Term
from calib.shop.keys import COMMON

SHARP = 3.1  # fewer corners a contour than this, a triangle's: it is a curve
WAY_TO_NEXT_LINE = 2.0**0.5  # over the distance of lines: where they meet the wall at 45 degrees
CHANGES_FOR_SECOND_MATERIAL = 2.0  # to the supports' material and back; common practice, no source
JUMPS_PER_CONTOUR = 2.0  # to its walls and to its fill; common practice, no source
LENGTH = "length_mm"
LAID = ("walls", "fill and skins", "supports")
MOVES, FLOW = "trapezoidal moves (kinematics)", "flow limit: Go et al. 2017"
# Terms of a layer: what each counts, what the machine is set to, and the source.
LAYER_TERMS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "walls": (LENGTH, ("walls", "wall_speed_mm_s", "acceleration_mm_s2", "corner_speed_mm_s"), f"{MOVES}; {FLOW}"),
    "fill and skins": (LENGTH, ("skin_layers", "infill_share", "spacing_mm", "fill_speed_mm_s", "acceleration_mm_s2"),
                       f"{MOVES}; number of lines: Cauchy-Crofton; {FLOW}"),
    "supports": (LENGTH, ("support_density_share", "spacing_mm"), "length of lines over speed (kinematics)"),
    "travel": ("jumps", ("travel_speed_mm_s", "acceleration_mm_s2", "retraction_s"), MOVES),
    "layer change": ("layers", (), COMMON),
    "tool changes": ("changes", ("tool_change_s", "purge_mm3", "melt_rate_mm3_s"), COMMON),
    "least layer time": ("layers", ("least_layer_s",), COMMON),
}  # fmt: skip
Timed = tuple[np.ndarray, np.ndarray]  # of one term: seconds in each layer, and how much is done in them


def printing_terms(b: Builds) -> list[Term]:
    r"""Time of every layer, at least the least layer time, and what surrounds them.

    .. math::  t = \sum_{layers} \max\left(t_{walls} + t_{fill} + t_{supports} + t_{travel} + t_{change} +
               t_{tools},\; t_{least}\right) + t_{first} + t_{start}

    Parameters
    ----------
    b : builds on extruders; their profiles layer by layer where known, else one mean layer

    Returns
    -------
    Terms in minutes, shape (n,).

    Notes
    -----
    Walls follow the contour, at most as much of them as the section holds. Lines of fill cross the section inside the
    walls: skins at the line's width, the rest at width over infill. Printed one by one, each part has its own layers.

    References
    ----------
    Composition of build time: I. Gibson, D. Rosen, B. Stucker 2015, eq. 16.7. Parameters: common practice, no source.
    """
    alone = b.machine["one_by_one"] > 0.5
    together = np.where(alone, 1.0, b.parts)
    times = b.parts / together
    s = repeated(mean_sections(b), times)
    layered = _layer_terms(s, b.machine, b.material, b.layer_mm, together)
    totals = {name: (s.layers * seconds, s.layers * amount) for name, (seconds, amount) in layered.items()}
    first_mm2 = 1000.0 * b.volume_cm3 / b.height_mm
    for row in map(int, np.flatnonzero(b.basis == "profile")):
        own = profile_sections(b.profile[row], together[row], b.layer_mm[row], b.support_cm3[row] / times[row])
        layered = _layer_terms(own, b.machine.of(row), b.material.of(row), b.layer_mm[row], together[row])
        for name, (seconds, amount) in layered.items():
            totals[name][0][row] = times[row] * (own.layers * seconds).sum()
            totals[name][1][row] = times[row] * (own.layers * amount).sum()
        first_mm2[row] = b.parts[row] * b.profile[row].area_mm2[0]
    start = b.machine["start_sequence_min"]
    return [
        *(_of_all_layers(b, name, seconds, amount) for name, (seconds, amount) in totals.items()),
        first_layer_term(b, first_mm2),
        Term("start sequence", start, "start sequence", {"start_sequence_min": start}),
    ]


def laid_cm3(b: Builds) -> np.ndarray:
    """Plastic in walls, fill and supports: the length of their lines times the bead's section, shape (n,) [cm3]."""
    bead, _ = _bead_and_flow(b.machine, b.material, b.layer_mm)
    lines = (np.asarray(term.inputs[LENGTH]) for term in printing_terms(b) if term.name in LAID)
    volume: np.ndarray = sum(lines, np.zeros(len(b))) * bead / 1000.0
    return volume


def _of_all_layers(b: Builds, name: str, seconds: np.ndarray, amount: np.ndarray) -> Term:
    """One term over all layers, so that its minutes can be recomputed by hand: length over mean speed, or number times seconds."""
    unit, settings, source = LAYER_TERMS[name]
    bead, flow = _bead_and_flow(b.machine, b.material, b.layer_mm)
    derived = {"spacing_mm": bead / b.layer_mm, "melt_rate_mm3_s": flow}
    set_to = {key: derived[key] if key in derived else b.machine[key] for key in settings}
    if unit == LENGTH:
        mean, over, under = "mean_speed_mm_s", amount, seconds
        formula = "length / mean speed: of moves with their accelerations, between corners"
    else:
        mean, over, under = "each_s", seconds, amount
        formula = f"{unit} x seconds of each"
    each = np.divide(over, under, out=np.zeros(np.shape(seconds)), where=under > 0)
    return Term(name, seconds / 60.0, formula, {unit: amount, mean: each, **set_to}, source)


def _bead_and_flow(m: Params, material: Params, layer_mm: Numbers) -> tuple[np.ndarray, np.ndarray]:
    """Section of a laid line [mm2], and what the nozzle melts of the material [mm3/s]."""
    bead = bead_section_mm2(m["nozzle_mm"] * m["line_per_nozzle"], layer_mm)
    return bead, m["melt_rate_mm3_s"] * material["flow_share"]


def _layer_terms(s: Sections, m: Params, material: Params, layer_mm: Numbers, parts: Numbers) -> dict[str, Timed]:
    """LAYER_TERMS of each layer; arrays of the sections' shape. Lines lie as far apart as their bead fills."""
    bead, flow = _bead_and_flow(m, material, layer_mm)
    spacing = bead / layer_mm
    fill_speed = flow_limited_mm_s(m["fill_speed_mm_s"], flow, bead)
    terms = {
        "walls": _walls(s, m, spacing, flow_limited_mm_s(m["wall_speed_mm_s"], flow, bead)),
        "fill and skins": _fill(s, m, spacing, fill_speed),
        "supports": _supports(s, m, spacing, fill_speed),
        "travel": _travel(s, m, parts),
        "layer change": (m["layer_change_s"] + 0.0 * s.layers, 1.0 + 0.0 * s.layers),
        "tool changes": _tool_changes(s, m, material, flow),
    }
    missing = np.maximum(m["least_layer_s"] - sum(seconds for seconds, _ in terms.values()), 0.0)
    return terms | {"least layer time": (missing, (missing > 0).astype(float))}


def _walls(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> Timed:
    """Straight pieces between corners; a contour without corners is a curve."""
    a, corner, walls = m["acceleration_mm_s2"], m["corner_speed_mm_s"], m["walls"]
    length = np.minimum(s.perimeter_mm * walls, s.area_mm2 / spacing)
    pieces = np.maximum(np.maximum(s.corners, s.contours) * walls, 1e-9)
    radius = s.perimeter_mm / (2.0 * np.pi * np.maximum(s.contours, 1e-9))
    curved = s.corners < SHARP * s.contours
    speed = np.where(curved, curve_limited_mm_s(speed, a, np.maximum(radius, 0.05)), speed)
    return pieces * move_s(length / pieces, speed, a, corner), length


def _fill(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> Timed:
    """Lines of fill and skins across the section inside the walls, each with the short way to the next along the wall."""
    a, corner = m["acceleration_mm_s2"], m["corner_speed_mm_s"]
    inside = np.maximum(s.area_mm2 - s.perimeter_mm * m["walls"] * spacing, 0.0)
    skin = np.minimum(_near_surface(s, m["skin_layers"], s.area_mm2 - inside), inside)
    sparse = (inside - skin) * m["infill_share"]
    across = s.line_width_mm * np.sqrt(inside / np.maximum(s.area_mm2, 1e-9))
    lines = across / spacing * (skin + sparse) / np.maximum(inside, 1e-9)
    length = (skin + sparse) / spacing
    each = length / np.maximum(lines, 1e-9)
    pitch = spacing * inside / np.maximum(skin + sparse, 1e-9)
    turning = np.minimum(WAY_TO_NEXT_LINE * pitch, 0.5 * each)
    return lines * (move_s(each - turning, speed, a, corner) + move_s(turning, speed, a, corner)), length


def _supports(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> Timed:
    length = s.support_mm2 * m["support_density_share"] / spacing
    return length / speed, length


def _travel(s: Sections, m: Params, parts: Numbers) -> Timed:
    """Jumps from contour to contour, and from part to part."""
    apart = np.sqrt(s.area_mm2 / np.maximum(s.contours, 1.0)) + np.where(np.asarray(parts) > 1, m["gap_mm"], 0.0)
    jump = move_s(apart, m["travel_speed_mm_s"], m["acceleration_mm_s2"]) + m["retraction_s"]
    jumps = JUMPS_PER_CONTOUR * s.contours
    return jumps * jump, jumps


def _tool_changes(s: Sections, m: Params, material: Params, flow: np.ndarray) -> Timed:
    """Set by the machine; at least two in each layer that holds supports of a second material: there and back."""
    second = CHANGES_FOR_SECOND_MATERIAL * (material["soluble_supports"] > 0.5) * s.supported
    changes = np.maximum(m["tool_changes_per_layer"], second) + 0.0 * s.layers
    return changes * (m["tool_change_s"] + m["purge_mm3"] / flow), changes


def _near_surface(s: Sections, skin_layers: np.ndarray, walls_mm2: np.ndarray) -> np.ndarray:
    """Section within so many layers below a surface that faces up, or above one that faces down [mm2].

    Less what the walls cover: under a steep flank that is all of it.
    """
    if len(s.layers) == 1 or len(skin_layers) > 1:  # mean layers, one for each build
        section: np.ndarray = (s.up_mm2 + s.down_mm2) * skin_layers
        return section
    window = np.ones(max(round(float(skin_layers[0]) / float(s.layers[0])), 0))
    if not len(window):
        return 0.0 * s.layers
    above = np.convolve(s.down_mm2, window)[: len(s.layers)]
    below = np.convolve(s.up_mm2[::-1], window)[: len(s.layers)][::-1]
    uncovered: np.ndarray = np.maximum((above + below) * s.layers - walls_mm2, 0.0)
    return uncovered


def first_layer_term(b: Builds, section_mm2: np.ndarray) -> Term:
    """What the slow first layer takes more than another full one; section_mm2 : shape (n,), of all parts on the plate."""
    m = b.machine
    bead, flow = _bead_and_flow(m, b.material, b.layer_mm)
    first, usual = (flow_limited_mm_s(m[name], flow, bead) for name in ("first_layer_speed_mm_s", "fill_speed_mm_s"))
    length = section_mm2 * b.layer_mm / bead
    inputs = {"length_mm": length, "first_speed_mm_s": first, "usual_speed_mm_s": usual}
    formula = "length x (1 / first speed - 1 / usual speed), where positive"
    return Term("first layer", length * np.maximum(1.0 / first - 1.0 / usual, 0.0) / 60.0, formula, inputs)


def warm_up_terms(b: Builds) -> list[Term]:
    r"""Bed, then nozzle, then soak.

    .. math::  t = t_{bed} + t_{nozzle} + t_{soak}

    Parameters
    ----------
    b : builds on extruders

    Returns
    -------
    Terms in minutes.

    References
    ----------
    First-order heating (``heat.warm_up_s``); parameters: common practice, no source.
    """
    m, room = b.machine, b.machine["ambient_c"]
    bed_c, nozzle_c = b.material["bed_c"], b.material["nozzle_c"]
    bed = warm_up_s(room, bed_c, m["bed_reach_c"], m["bed_tau_min"])
    nozzle = warm_up_s(room, nozzle_c, m["nozzle_reach_c"], m["nozzle_tau_min"])
    heating = "-tau ln((reach - set) / (reach - room))"
    return [
        Term("bed", bed, heating, {"tau_min": m["bed_tau_min"], "set_c": bed_c, "reach_c": m["bed_reach_c"]}),
        Term("nozzle", nozzle, heating, {"tau_min": m["nozzle_tau_min"], "set_c": nozzle_c,
              "reach_c": m["nozzle_reach_c"]}),
        Term("soak", m["soak_min"], "soak", {"soak_min": m["soak_min"]}),
    ]  # fmt: skip


def cool_down_terms(b: Builds) -> list[Term]:
    r"""The bed cools until it lets the part go, and to the data sheet's limit where one is stated.

    .. math::  t = \tau \ln \frac{T_{bed} - T_{room}}{T_{release} - T_{room}}

    Parameters
    ----------
    b : builds on extruders

    Returns
    -------
    Terms in minutes.

    References
    ----------
    Lumped cooling (``heat.lumped_cooling_s``); parameters: common practice, no source.
    """
    m, bed_c = b.machine, b.material["bed_c"]
    release_c = np.fmin(b.material["release_c"], b.floors["cool_to_c"])
    minutes = lumped_cooling_s(bed_c, release_c, m["ambient_c"], m["bed_cool_tau_min"])
    inputs = {"tau_min": m["bed_cool_tau_min"], "bed_c": bed_c, "release_c": release_c}
    return [
        Term("bed", minutes, "tau ln((bed - room) / (release - room))", inputs),
        Term("part", m["part_cool_min"], "waiting for the part itself", {"part_cool_min": m["part_cool_min"]}),
    ]
