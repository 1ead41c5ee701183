"""Material extrusion: minutes of each term of warm-up, printing and cool-down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.baseline.columns import Builds, Params
from calib.baseline.heat import lumped_cooling_s, warm_up_s
from calib.baseline.motion import bead_section_mm2, curve_limited_mm_s, flow_limited_mm_s, move_s
from calib.baseline.sections import Sections, mean_sections, profile_sections, repeated
from calib.baseline.term import Numbers, Piece
from calib.shop.keys import COMMON

SHARP = 3.1  # fewer corners a contour than this, a triangle's: it is a curve
CHANGES_FOR_SECOND_MATERIAL = 2.0  # to the supports' material and back; common practice, no source
JUMPS_PER_CONTOUR = 2.0  # to its walls and to its fill; common practice, no source


def printing_pieces(b: Builds) -> list[Piece]:
    r"""Time of every layer, at least the least layer time, and what surrounds them.

    .. math::  t = \sum_{layers} \max\left(t_{walls} + t_{fill} + t_{supports} + t_{travel} + t_{change} +
               t_{tools},\; t_{least}\right) + t_{first} + t_{start}

    Parameters
    ----------
    b : builds on extruders; their profiles layer by layer where known, else one mean layer

    Returns
    -------
    Pieces in minutes, shape (n,).

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
    terms = _layer_terms(s, b.machine, b.material, b.layer_mm, together)
    minutes = {term.name: s.layers * term.seconds / 60.0 for term in terms}
    for place in np.flatnonzero(b.basis == "profile"):
        for name, own in _of_profile(b, int(place), together, times).items():
            minutes[name][place] = own
    if len(b) == 1 and b.basis[0] == "profile":  # explained by its own layers' means
        terms = _layer_terms(_mean_of_profile(b, together, times), b.machine, b.material, b.layer_mm, together)
    layers = {"layers": b.height_mm / b.layer_mm}
    start = b.machine["start_sequence_min"]
    return [
        *(Piece(t.name, minutes[t.name], t.formula, {**layers, **t.inputs}, t.source) for t in terms),
        first_layer_piece(b),
        Piece("start sequence", start, "start sequence", {"start_sequence_min": start}),
    ]


def _of_profile(b: Builds, place: int, together: np.ndarray, times: np.ndarray) -> dict[str, float]:
    """Minutes of each term of one build, layer by layer."""
    s = profile_sections(b.profile[place], together[place], b.layer_mm[place], b.support_cm3[place] / times[place])
    terms = _layer_terms(s, b.machine.of(place), b.material.of(place), b.layer_mm[place], together[place])
    return {term.name: float(times[place] * (s.layers * term.seconds).sum() / 60.0) for term in terms}


def _mean_of_profile(b: Builds, together: np.ndarray, times: np.ndarray) -> Sections:
    """The mean layer of one build's profile: what its terms are explained with."""
    s = profile_sections(b.profile[0], together[0], b.layer_mm[0], b.support_cm3[0] / times[0])
    means = {name: np.array([values.mean()]) for name, values in vars(s).items() if name != "layers"}
    return Sections(layers=np.array([s.layers.sum() * times[0]]), **means)


@dataclass(frozen=True, eq=False)
class _Term:
    """Seconds of one term in each layer, and what an engineer needs to reckon it: of a mean layer."""

    name: str
    seconds: np.ndarray
    formula: str
    inputs: Mapping[str, Numbers]
    source: str = COMMON


def _layer_terms(
    s: Sections, m: Params, material: Params, layer_mm: np.ndarray | float, parts: np.ndarray | float
) -> list[_Term]:
    """Every term of a layer; seconds of the sections' shape."""
    width = m["nozzle_mm"] * m["line_per_nozzle"]
    flow = m["melt_rate_mm3_s"] * material["flow_share"]
    bead = bead_section_mm2(width, layer_mm)
    terms = [
        _walls(s, m, width, flow_limited_mm_s(m["wall_speed_mm_s"], flow, bead)),
        _fill(s, m, width, flow_limited_mm_s(m["fill_speed_mm_s"], flow, bead)),
        _supports(s, m, width, flow_limited_mm_s(m["fill_speed_mm_s"], flow, bead)),
        _travel(s, m, parts),
        _Term("layer change", m["layer_change_s"] + 0.0 * s.layers, "layers x layer change",
              {"layer_change_s": m["layer_change_s"]}),
        _tool_changes(s, m, material, flow),
    ]  # fmt: skip
    missing = np.maximum(m["least_layer_s"] - sum(term.seconds for term in terms), 0.0)
    formula, inputs = "layers x (least layer time - layer time), where positive", {"least_layer_s": m["least_layer_s"]}
    return [*terms, _Term("least layer time", missing, formula, inputs)]


def _walls(s: Sections, m: Params, width: np.ndarray, speed: np.ndarray) -> _Term:
    """Straight pieces between corners; a contour without corners is a curve."""
    a, corner, walls = m["acceleration_mm_s2"], m["corner_speed_mm_s"], m["walls"]
    length = np.minimum(s.perimeter_mm * walls, s.area_mm2 / width)
    pieces = np.maximum(np.maximum(s.corners, s.contours) * walls, 1e-9)
    radius = s.perimeter_mm / (2.0 * np.pi * np.maximum(s.contours, 1e-9))
    curved = s.corners < SHARP * s.contours
    speed = np.where(curved, curve_limited_mm_s(speed, a, np.maximum(radius, 0.05)), speed)
    return _Term(
        "walls",
        pieces * move_s(length / pieces, speed, a, corner),
        "layers x pieces x move(length / pieces): at the speed that set speed, melt rate and curves allow",
        {"walls": walls, "length_mm": length, "pieces": pieces, "speed_mm_s": speed, "acceleration_mm_s2": a,
         "corner_speed_mm_s": corner},
        "trapezoidal moves (kinematics); flow limit: Go et al. 2017",
    )  # fmt: skip


def _fill(s: Sections, m: Params, width: np.ndarray, speed: np.ndarray) -> _Term:
    """Lines of fill and skins across the section inside the walls."""
    a, corner = m["acceleration_mm_s2"], m["corner_speed_mm_s"]
    inside = np.maximum(s.area_mm2 - s.perimeter_mm * m["walls"] * width, 0.0)
    skin = np.minimum(_near_surface(s, m["skin_layers"]), inside)
    sparse = (inside - skin) * m["infill_share"]
    across = s.line_width_mm * np.sqrt(inside / np.maximum(s.area_mm2, 1e-9))
    lines = across / width * (skin + sparse) / np.maximum(inside, 1e-9)
    length = (skin + sparse) / width
    return _Term(
        "fill and skins",
        lines * move_s(length / np.maximum(lines, 1e-9), speed, a, corner),
        "layers x lines x move(length / lines), length = (skin + fill x (section inside walls - skin)) / width",
        {"skin_mm2": skin, "infill_share": m["infill_share"], "inside_walls_mm2": inside, "width_mm": width,
         "length_mm": length, "lines": lines, "speed_mm_s": speed, "acceleration_mm_s2": a},
        "trapezoidal moves (kinematics); number of lines: Cauchy-Crofton; flow limit: Go et al. 2017",
    )  # fmt: skip


def _supports(s: Sections, m: Params, width: np.ndarray, speed: np.ndarray) -> _Term:
    density = m["support_density_share"]
    return _Term(
        "supports",
        s.support_mm2 * density / width / speed,
        "layers x support section x density / width / speed",
        {
            "support_section_mm2": s.support_mm2,
            "support_density_share": density,
            "width_mm": width,
            "speed_mm_s": speed,
        },
        "length of lines over speed (kinematics)",
    )


def _travel(s: Sections, m: Params, parts: np.ndarray | float) -> _Term:
    """Jumps from contour to contour, and from part to part."""
    apart = np.sqrt(s.area_mm2 / np.maximum(s.contours, 1.0)) + np.where(np.asarray(parts) > 1, m["gap_mm"], 0.0)
    jump = move_s(apart, m["travel_speed_mm_s"], m["acceleration_mm_s2"]) + m["retraction_s"]
    jumps = JUMPS_PER_CONTOUR * s.contours
    return _Term(
        "travel",
        jumps * jump,
        "layers x jumps x (move(distance) + retraction)",
        {"jumps": jumps, "distance_mm": apart, "travel_speed_mm_s": m["travel_speed_mm_s"],
         "acceleration_mm_s2": m["acceleration_mm_s2"], "retraction_s": m["retraction_s"]},
        "trapezoidal moves (kinematics)",
    )  # fmt: skip


def _tool_changes(s: Sections, m: Params, material: Params, flow: np.ndarray) -> _Term:
    """Set by the machine; at least two in each layer that holds supports of a second material: there and back."""
    second = CHANGES_FOR_SECOND_MATERIAL * ((material["soluble_supports"] > 0.5) & (s.support_mm2 > 0))
    changes = np.maximum(m["tool_changes_per_layer"], second)
    return _Term(
        "tool changes",
        changes * (m["tool_change_s"] + m["purge_mm3"] / flow) + 0.0 * s.layers,
        "layers x changes x (tool change + purge / melt rate)",
        {"changes_per_layer": changes, "tool_change_s": m["tool_change_s"], "purge_mm3": m["purge_mm3"],
         "melt_rate_mm3_s": flow},
    )  # fmt: skip


def _near_surface(s: Sections, skin_layers: np.ndarray) -> np.ndarray:
    """Section within so many layers below a surface that faces up, or above one that faces down [mm2]."""
    if len(s.layers) == 1 or len(skin_layers) > 1:  # mean layers, one for each build
        return (s.up_mm2 + s.down_mm2) * skin_layers
    window = np.ones(max(round(float(skin_layers[0]) / float(s.layers[0])), 0))
    if not len(window):
        return 0.0 * s.layers
    above = np.convolve(s.down_mm2, window)[: len(s.layers)]
    below = np.convolve(s.up_mm2[::-1], window)[: len(s.layers)][::-1]
    return (above + below) * s.layers


def first_layer_piece(b: Builds) -> Piece:
    """What the slow first layer takes more than another full one."""
    m = b.machine
    width = m["nozzle_mm"] * m["line_per_nozzle"]
    base = 1000.0 * b.volume_cm3 / b.height_mm
    slower = np.maximum(1.0 / m["first_layer_speed_mm_s"] - 1.0 / m["fill_speed_mm_s"], 0.0)
    inputs = {"section_mm2": base, "width_mm": width, "first_layer_speed_mm_s": m["first_layer_speed_mm_s"],
              "fill_speed_mm_s": m["fill_speed_mm_s"]}  # fmt: skip
    formula = "mean section / width x (1 / first layer's speed - 1 / fill speed)"
    return Piece("first layer", base / width * slower / 60.0, formula, inputs)


def warm_up_pieces(b: Builds) -> list[Piece]:
    r"""Bed, then nozzle, then soak.

    .. math::  t = t_{bed} + t_{nozzle} + t_{soak}

    Parameters
    ----------
    b : builds on extruders

    Returns
    -------
    Pieces in minutes.

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
        Piece("bed", bed, heating, {"tau_min": m["bed_tau_min"], "set_c": bed_c, "reach_c": m["bed_reach_c"]}),
        Piece("nozzle", nozzle, heating, {"tau_min": m["nozzle_tau_min"], "set_c": nozzle_c,
              "reach_c": m["nozzle_reach_c"]}),
        Piece("soak", m["soak_min"], "soak", {"soak_min": m["soak_min"]}),
    ]  # fmt: skip


def cool_down_pieces(b: Builds) -> list[Piece]:
    r"""The bed cools until it lets the part go.

    .. math::  t = \tau \ln \frac{T_{bed} - T_{room}}{T_{release} - T_{room}}

    Parameters
    ----------
    b : builds on extruders

    Returns
    -------
    Pieces in minutes.

    References
    ----------
    Lumped cooling (``heat.lumped_cooling_s``); parameters: common practice, no source.
    """
    m, bed_c, release_c = b.machine, b.material["bed_c"], b.material["release_c"]
    minutes = lumped_cooling_s(bed_c, release_c, m["ambient_c"], m["bed_cool_tau_min"])
    inputs = {"tau_min": m["bed_cool_tau_min"], "bed_c": bed_c, "release_c": release_c}
    return [
        Piece("bed", minutes, "tau ln((bed - room) / (release - room))", inputs),
        Piece("part", m["part_cool_min"], "waiting for the part itself", {"part_cool_min": m["part_cool_min"]}),
    ]
