"""One pose of a part for a process, by a rough cost: the program itself ranks poses by the minutes of whole builds."""

from __future__ import annotations

import numpy as np

from calib.geometry.orientation import candidates

GAP_MM = 4.0  # between copies
BRIM_MIN = 2.0  # of a person, to take a brim off


def cheapest_pose(mesh, process, room_mm, overhang_deg=45):
    """The pose that fits, stands and costs least; None where no pose fits."""
    found = candidates(mesh, process, room_mm, overhang_deg)
    costs = [rough_minutes(one, process, room_mm) for one in found]
    return found[int(np.argmin(costs))].pose if found else None


def rough_minutes(candidate, process, room_mm):
    """Minutes that a pose costs beside what every pose costs: layers, supports, and the room that it takes.

    Common practice, no source: orders of size. Half of a layer's cost counts as if the part were alone on the plate, half
    as if the plate were full; in powder, where all parts share the cake, height counts less than the box.
    """
    size, held = candidate.pose.size_mm, candidate.supports
    if process == "PBF":
        return 0.2 * size[2] / 0.1 * 15 / 60 + np.prod(size) / 1000 * 0.05
    layer_mm, layer_s, support_min_cm3 = {"MEX": (0.2, 3.0, 200 / 8 / 60), "VPP": (0.05, 8.0, 0.05)}[process]
    on_plate = max(np.prod(room_mm[:2]) / np.prod(size[:2] + GAP_MM), 1.0)
    layers = size[2] / layer_mm * layer_s / 60 * (0.5 + 0.5 / on_plate)
    return layers + support_min_cm3 * held.volume_cm3 + 0.5 * held.contact_cm2 + BRIM_MIN * candidate.brim
