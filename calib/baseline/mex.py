"""Material extrusion: minutes of each term of warm-up, printing and cool-down."""

from __future__ import annotations

import numpy as np

from calib.baseline.columns import Builds, Params
from calib.baseline.heat import lumped_cooling_s, warm_up_s
from calib.baseline.motion import bead_section_mm2, curve_limited_mm_s, flow_limited_mm_s, move_s
from calib.baseline.sections import Sections, mean_sections, profile_sections, repeated
from calib.baseline.term import Piece
from calib.shop.keys import COMMON

SHARP = 3.0  # fewer corners a contour than this: it is a curve
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
    named = _layer_minutes(repeated(mean_sections(b), times), b.machine, b.material, b.layer_mm, together)
    for place in np.flatnonzero(b.basis == "profile"):
        sections = profile_sections(
            b.profile[place], together[place], b.layer_mm[place], b.support_cm3[place] / times[place]
        )
        own = _layer_minutes(
            sections, b.machine.of(int(place)), b.material.of(int(place)), b.layer_mm[place], together[place]
        )
        for name, minutes in own.items():
            named[name][place] = times[place] * minutes.sum()
    inputs, start = _inputs(b), b.machine["start_sequence_min"]
    return [
        *(Piece(name, minutes, FORMULAS[name], inputs, SOURCES.get(name, COMMON)) for name, minutes in named.items()),
        Piece("first layer", first_layer_min(b), "section / width x (1 / first speed - 1 / fill speed)", {}),
        Piece("start sequence", start, "start sequence", {"start_sequence_min": start}),
    ]


SOURCES = {
    "walls": "trapezoidal moves (kinematics); flow limit: Go et al. 2017",
    "fill and skins": "trapezoidal moves (kinematics); number of lines: Cauchy-Crofton; flow limit: Go et al. 2017",
    "supports": "trapezoidal moves (kinematics)",
    "travel": "trapezoidal moves (kinematics)",
}
FORMULAS = {
    "walls": "layers x pieces x move(perimeter x walls / pieces, wall speed)",
    "fill and skins": "layers x lines x move((skin + fill) / width / lines, fill speed)",
    "supports": "layers x support section x density / width / fill speed",
    "travel": "layers x contours x 2 x (move(to the next) + retraction)",
    "layer change": "layers x layer change",
    "tool changes": "layers x changes x (tool change + purge / melt rate)",
    "least layer time": "layers x (least layer time - layer time), where positive",
}


def _inputs(b: Builds) -> dict[str, float | np.ndarray]:
    return {
        "layers": b.height_mm / b.layer_mm,
        "parts": b.parts,
        "volume_cm3": b.volume_cm3,
        "walls": b.machine["walls"],
        "infill_share": b.machine["infill_share"],
        "wall_speed_mm_s": b.machine["wall_speed_mm_s"],
        "fill_speed_mm_s": b.machine["fill_speed_mm_s"],
        "melt_rate_mm3_s": b.machine["melt_rate_mm3_s"],
    }


def _layer_minutes(
    s: Sections, m: Params, material: Params, layer_mm: np.ndarray | float, parts: np.ndarray | float
) -> dict[str, np.ndarray]:
    """Minutes of each term, shape of the sections."""
    width = m["nozzle_mm"] * m["line_per_nozzle"]
    flow = m["melt_rate_mm3_s"] * material["flow_share"]
    section = bead_section_mm2(width, layer_mm)
    a, corner = m["acceleration_mm_s2"], m["corner_speed_mm_s"]
    fill_speed = flow_limited_mm_s(m["fill_speed_mm_s"], flow, section)
    seconds = {
        "walls": _walls_s(s, m["walls"], width, flow_limited_mm_s(m["wall_speed_mm_s"], flow, section), a, corner),
        "fill and skins": _fill_s(s, m, width, fill_speed, a, corner),
        "supports": s.support_mm2 * m["support_density_share"] / width / fill_speed,
        "travel": _travel_s(s, m, parts),
        "layer change": m["layer_change_s"] + 0.0 * s.layers,
        "tool changes": m["tool_changes_per_layer"] * (m["tool_change_s"] + m["purge_mm3"] / flow) + 0.0 * s.layers,
    }
    spent = sum(seconds.values())
    seconds["least layer time"] = np.maximum(m["least_layer_s"] - spent, 0.0)
    return {name: s.layers * values / 60.0 for name, values in seconds.items()}


def _walls_s(
    s: Sections, walls: np.ndarray, width: np.ndarray, speed: np.ndarray, a: np.ndarray, corner: np.ndarray
) -> np.ndarray:
    """Seconds of a layer's walls: straight pieces between corners; a contour without corners is a curve."""
    length = np.minimum(s.perimeter_mm * walls, s.area_mm2 / width)
    pieces = np.maximum(np.maximum(s.corners, s.contours) * walls, 1e-9)
    radius = s.perimeter_mm / (2.0 * np.pi * np.maximum(s.contours, 1e-9))
    curved = s.corners < SHARP * s.contours
    speed = np.where(curved, curve_limited_mm_s(speed, a, np.maximum(radius, 0.05)), speed)
    return pieces * move_s(length / pieces, speed, a, corner)


def _fill_s(
    s: Sections, m: Params, width: np.ndarray, speed: np.ndarray, a: np.ndarray, corner: np.ndarray
) -> np.ndarray:
    """Seconds of a layer's fill and skins: lines across the section inside the walls."""
    inside = np.maximum(s.area_mm2 - s.perimeter_mm * m["walls"] * width, 0.0)
    skin = np.minimum(_near_surface(s, m["skin_layers"]), inside)
    sparse = (inside - skin) * m["infill_share"]
    across = s.line_width_mm * np.sqrt(inside / np.maximum(s.area_mm2, 1e-9))
    lines = across / width * (skin + sparse) / np.maximum(inside, 1e-9)
    length = (skin + sparse) / width
    return lines * move_s(length / np.maximum(lines, 1e-9), speed, a, corner)


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


def _travel_s(s: Sections, m: Params, parts: np.ndarray | float) -> np.ndarray:
    """Seconds of a layer's jumps: from contour to contour, and from part to part."""
    apart = np.sqrt(s.area_mm2 / np.maximum(s.contours, 1.0)) + np.where(np.asarray(parts) > 1, m["gap_mm"], 0.0)
    jump = move_s(apart, m["travel_speed_mm_s"], m["acceleration_mm_s2"]) + m["retraction_s"]
    return JUMPS_PER_CONTOUR * s.contours * jump


def first_layer_min(b: Builds) -> np.ndarray:
    """What the slow first layer takes more than another full one [min]."""
    m = b.machine
    width = m["nozzle_mm"] * m["line_per_nozzle"]
    base = 1000.0 * b.volume_cm3 / b.height_mm
    slower = np.maximum(1.0 / m["first_layer_speed_mm_s"] - 1.0 / m["fill_speed_mm_s"], 0.0)
    return base / width * slower / 60.0


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
        Piece("part", 1.0, "waiting for the part itself", {}),
    ]
