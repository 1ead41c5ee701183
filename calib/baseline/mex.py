"""Material extrusion: seconds of each term of warm-up, printing and cool-down."""

from __future__ import annotations

import numpy as np

from calib.baseline.columns import Builds
from calib.baseline.heat import warm_up_s
from calib.baseline.motion import move_s

WALL_PIECE_MM = 12.0  # usual length between corners of a wall; common practice, no source
Terms = dict[str, np.ndarray]


def printing_terms(b: Builds) -> Terms:
    """Walls, fill, supports, layer changes, tool changes; the least layer time counted over the whole plate.

    Lines: extruded volume over width x layer, at the lower of the set speed and the melt rate over the bead's section;
    moves between corners by ``motion.move_s``. Shell: surface x walls x width, the rest filled at ``infill_share``.
    """
    m = b.machine
    width = m["nozzle_mm"] * m["line_per_nozzle"]
    bead = width * b.layer_mm
    flow = m["melt_rate_mm3_s"] * b.material["flow_share"]
    shell = np.minimum(b.volume_mm3, b.area_mm2 * np.maximum(m["walls"] * width, m["skin_layers"] * b.layer_mm * 0.8))
    fill = (b.volume_mm3 - shell) * m["infill_share"]
    walls_mm, skin_mm, fill_mm = 0.65 * shell / bead, 0.35 * shell / bead, fill / bead
    support_mm = b.support_mm3 * m["support_density_share"] / bead
    layers = np.maximum(b.height_mm / b.layer_mm, 1)
    line = np.clip(np.sqrt(b.volume_mm3 / b.parts / np.maximum(b.height_mm, 1)) * 0.8, 2.0, 200.0)

    def laid(length: np.ndarray, piece: np.ndarray, speed: np.ndarray) -> np.ndarray:
        cruise = np.minimum(speed, flow / bead)
        return length / piece * move_s(piece, cruise, m["acceleration_mm_s2"], m["corner_speed_mm_s"])

    jump = move_s(line, m["travel_speed_mm_s"], m["acceleration_mm_s2"], np.zeros_like(line)) + m["retraction_s"]
    changes = layers * m["tool_changes_per_layer"] * (m["tool_change_s"] + m["purge_mm3"] / flow)
    terms = {
        "walls": laid(walls_mm, np.full_like(line, WALL_PIECE_MM), m["wall_speed_mm_s"]),
        "skins and fill": laid(skin_mm + fill_mm, line, m["fill_speed_mm_s"]),
        "supports": laid(support_mm, line, m["fill_speed_mm_s"]),
        "travel": layers * b.parts * 3 * jump,
        "layer changes": layers * m["layer_change_s"],
        "tool changes": changes,
    }
    short = np.maximum(0.0, layers * m["least_layer_s"] - sum(terms.values()))
    return terms | {"least layer time": short, "start sequence": m["start_sequence_min"] * 60}


def warm_up_terms(b: Builds) -> Terms:
    m, bed, nozzle = b.machine, b.material["bed_c"], b.material["nozzle_c"]
    return {
        "bed": warm_up_s(m["ambient_c"], bed, np.maximum(m["bed_reach_c"], bed + 5), 60 * 60 * m["bed_tau_min"]),
        "nozzle": warm_up_s(
            m["ambient_c"], nozzle, np.maximum(m["nozzle_reach_c"], nozzle + 5), 60 * 60 * m["nozzle_tau_min"]
        ),
        "soak": 60 * m["soak_min"],
    }


def cool_down_terms(b: Builds) -> Terms:
    """The bed cools to the temperature that lets the part go: Newton's law, time constant of the bed."""
    m = b.machine
    hot = np.maximum(b.material["bed_c"] - m["ambient_c"], 0.1)
    warm = np.clip(b.material["release_c"] - m["ambient_c"], 0.5, hot)
    return {"bed": 60 * m["bed_cool_tau_min"] * np.log(hot / warm)}
