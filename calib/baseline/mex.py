"""Material extrusion: minutes of each term of warm-up, printing and cool-down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.baseline.build_inputs import Builds, Params
from calib.baseline.heat import lumped_cooling_s, warm_up_s
from calib.baseline.motion import bead_section_mm2, curve_limited_mm_s, flow_limited_mm_s, move_s
from calib.baseline.sections import Sections, mean_sections, profile_sections, repeated
from calib.baseline.term import Numbers, Piece
from calib.shop.keys import COMMON

SHARP = 3.1  # fewer corners a contour than this, a triangle's: it is a curve
WAY_TO_NEXT_LINE = 2.0**0.5  # over the distance of lines: where they meet the wall at 45 degrees
CHANGES_FOR_SECOND_MATERIAL = 2.0  # to the supports' material and back; common practice, no source
LENGTH = "length_mm"
LAID = ("walls", "fill and skins", "supports")
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
    seconds, amounts = ([s.layers * getattr(term, name) for term in terms] for name in ("seconds", "amount"))
    first_mm2 = 1000.0 * b.volume_cm3 / b.height_mm
    for place in map(int, np.flatnonzero(b.basis == "profile")):
        own = profile_sections(
            b.profile[place], together[place], b.layer_mm[place], b.support_cm3[place] / times[place]
        )
        layered = _layer_terms(own, b.machine.of(place), b.material.of(place), b.layer_mm[place], together[place])
        for number, term in enumerate(layered):
            seconds[number][place] = times[place] * (own.layers * term.seconds).sum()
            amounts[number][place] = times[place] * (own.layers * term.amount).sum()
        first_mm2[place] = b.parts[place] * b.profile[place].area_mm2[0]
    start = b.machine["start_sequence_min"]
    return [
        *(term.piece(total_s, amount) for term, total_s, amount in zip(terms, seconds, amounts, strict=True)),
        first_layer_piece(b, first_mm2),
        Piece("start sequence", start, "start sequence", {"start_sequence_min": start}),
    ]


def laid_cm3(b: Builds) -> np.ndarray:
    """Plastic in walls, fill and supports: the length of their lines times the bead's section, shape (n,) [cm3]."""
    bead = bead_section_mm2(b.machine["nozzle_mm"] * b.machine["line_per_nozzle"], b.layer_mm)
    lines = (np.asarray(piece.inputs[LENGTH]) for piece in printing_pieces(b) if piece.name in LAID)
    return sum(lines, np.zeros(len(b))) * bead / 1000.0


@dataclass(frozen=True, eq=False)
class _Term:
    """Seconds of one term in each layer, and how much of what takes them.

    amount : length [mm], or how many jumps, layers, changes; shape of seconds
    unit : name of the amount, with its unit where it has one
    settings : what the machine is set to
    """

    name: str
    seconds: np.ndarray
    amount: np.ndarray
    unit: str
    settings: Mapping[str, Numbers]
    source: str = COMMON

    def piece(self, seconds: np.ndarray, amount: np.ndarray) -> Piece:
        """All layers together, so that the minutes can be reckoned again: length over mean speed, or number times seconds."""
        pace, formula = (amount, seconds), "length / mean speed: of moves with their accelerations, between corners"
        if self.unit != LENGTH:
            pace, formula = (seconds, amount), f"{self.unit} x seconds of each"
        mean = np.divide(*pace, out=np.zeros(np.shape(seconds)), where=pace[1] > 0)
        name = "mean_speed_mm_s" if self.unit == LENGTH else "each_s"
        return Piece(self.name, seconds / 60.0, formula, {self.unit: amount, name: mean, **self.settings}, self.source)


def _layer_terms(
    s: Sections, m: Params, material: Params, layer_mm: np.ndarray | float, parts: np.ndarray | float
) -> list[_Term]:
    """Every term of a layer; seconds of the sections' shape. Lines lie as far apart as their bead fills."""
    flow = m["melt_rate_mm3_s"] * material["flow_share"]
    bead = bead_section_mm2(m["nozzle_mm"] * m["line_per_nozzle"], layer_mm)
    spacing = bead / layer_mm
    fill_speed = flow_limited_mm_s(m["fill_speed_mm_s"], flow, bead)
    terms = [
        _walls(s, m, spacing, flow_limited_mm_s(m["wall_speed_mm_s"], flow, bead)),
        _fill(s, m, spacing, fill_speed),
        _supports(s, m, spacing, fill_speed),
        _travel(s, m, parts),
        _Term("layer change", m["layer_change_s"] + 0.0 * s.layers, 1.0 + 0.0 * s.layers, "layers", {}),
        _tool_changes(s, m, material, flow),
    ]
    missing = np.maximum(m["least_layer_s"] - sum(term.seconds for term in terms), 0.0)
    short = (missing > 0).astype(float)
    return [*terms, _Term("least layer time", missing, short, "layers", {"least_layer_s": m["least_layer_s"]})]


def _walls(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> _Term:
    """Straight pieces between corners; a contour without corners is a curve."""
    a, corner, walls = m["acceleration_mm_s2"], m["corner_speed_mm_s"], m["walls"]
    length = np.minimum(s.perimeter_mm * walls, s.area_mm2 / spacing)
    pieces = np.maximum(np.maximum(s.corners, s.contours) * walls, 1e-9)
    radius = s.perimeter_mm / (2.0 * np.pi * np.maximum(s.contours, 1e-9))
    curved = s.corners < SHARP * s.contours
    speed = np.where(curved, curve_limited_mm_s(speed, a, np.maximum(radius, 0.05)), speed)
    return _Term(
        "walls",
        pieces * move_s(length / pieces, speed, a, corner),
        length,
        LENGTH,
        {"walls": walls, "wall_speed_mm_s": m["wall_speed_mm_s"], "acceleration_mm_s2": a, "corner_speed_mm_s": corner},
        "trapezoidal moves (kinematics); flow limit: Go et al. 2017",
    )


def _fill(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> _Term:
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
    return _Term(
        "fill and skins",
        lines * (move_s(each - turning, speed, a, corner) + move_s(turning, speed, a, corner)),
        length,
        LENGTH,
        {"skin_layers": m["skin_layers"], "infill_share": m["infill_share"], "spacing_mm": spacing,
         "fill_speed_mm_s": m["fill_speed_mm_s"], "acceleration_mm_s2": a},
        "trapezoidal moves (kinematics); number of lines: Cauchy-Crofton; flow limit: Go et al. 2017",
    )  # fmt: skip


def _supports(s: Sections, m: Params, spacing: np.ndarray, speed: np.ndarray) -> _Term:
    length = s.support_mm2 * m["support_density_share"] / spacing
    settings = {"support_density_share": m["support_density_share"], "spacing_mm": spacing}
    return _Term("supports", length / speed, length, LENGTH, settings, "length of lines over speed (kinematics)")


def _travel(s: Sections, m: Params, parts: np.ndarray | float) -> _Term:
    """Jumps from contour to contour, and from part to part."""
    apart = np.sqrt(s.area_mm2 / np.maximum(s.contours, 1.0)) + np.where(np.asarray(parts) > 1, m["gap_mm"], 0.0)
    jump = move_s(apart, m["travel_speed_mm_s"], m["acceleration_mm_s2"]) + m["retraction_s"]
    jumps = JUMPS_PER_CONTOUR * s.contours
    return _Term(
        "travel",
        jumps * jump,
        jumps,
        "jumps",
        {"travel_speed_mm_s": m["travel_speed_mm_s"], "acceleration_mm_s2": m["acceleration_mm_s2"],
         "retraction_s": m["retraction_s"]},
        "trapezoidal moves (kinematics)",
    )  # fmt: skip


def _tool_changes(s: Sections, m: Params, material: Params, flow: np.ndarray) -> _Term:
    """Set by the machine; at least two in each layer that holds supports of a second material: there and back."""
    second = CHANGES_FOR_SECOND_MATERIAL * (material["soluble_supports"] > 0.5) * s.supported
    changes = np.maximum(m["tool_changes_per_layer"], second) + 0.0 * s.layers
    settings = {"tool_change_s": m["tool_change_s"], "purge_mm3": m["purge_mm3"], "melt_rate_mm3_s": flow}
    return _Term("tool changes", changes * (m["tool_change_s"] + m["purge_mm3"] / flow), changes, "changes", settings)


def _near_surface(s: Sections, skin_layers: np.ndarray, walls_mm2: np.ndarray) -> np.ndarray:
    """Section within so many layers below a surface that faces up, or above one that faces down [mm2].

    Less what the walls cover: under a steep flank that is all of it.
    """
    if len(s.layers) == 1 or len(skin_layers) > 1:  # mean layers, one for each build
        return (s.up_mm2 + s.down_mm2) * skin_layers
    window = np.ones(max(round(float(skin_layers[0]) / float(s.layers[0])), 0))
    if not len(window):
        return 0.0 * s.layers
    above = np.convolve(s.down_mm2, window)[: len(s.layers)]
    below = np.convolve(s.up_mm2[::-1], window)[: len(s.layers)][::-1]
    return np.maximum((above + below) * s.layers - walls_mm2, 0.0)


def first_layer_piece(b: Builds, section_mm2: np.ndarray) -> Piece:
    """What the slow first layer takes more than another full one; section_mm2 : shape (n,), of all parts on the plate."""
    m = b.machine
    bead = bead_section_mm2(m["nozzle_mm"] * m["line_per_nozzle"], b.layer_mm)
    flow = m["melt_rate_mm3_s"] * b.material["flow_share"]
    first, usual = (flow_limited_mm_s(m[name], flow, bead) for name in ("first_layer_speed_mm_s", "fill_speed_mm_s"))
    length = section_mm2 * b.layer_mm / bead
    inputs = {"length_mm": length, "first_speed_mm_s": first, "usual_speed_mm_s": usual}
    formula = "length x (1 / first speed - 1 / usual speed), where positive"
    return Piece("first layer", length * np.maximum(1.0 / first - 1.0 / usual, 0.0) / 60.0, formula, inputs)


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
    r"""The bed cools until it lets the part go, and to the data sheet's limit where one is stated.

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
    m, bed_c = b.machine, b.material["bed_c"]
    release_c = np.fmin(b.material["release_c"], b.floors["cool_to_c"])
    minutes = lumped_cooling_s(bed_c, release_c, m["ambient_c"], m["bed_cool_tau_min"])
    inputs = {"tau_min": m["bed_cool_tau_min"], "bed_c": bed_c, "release_c": release_c}
    return [
        Piece("bed", minutes, "tau ln((bed - room) / (release - room))", inputs),
        Piece("part", m["part_cool_min"], "waiting for the part itself", {"part_cool_min": m["part_cool_min"]}),
    ]
