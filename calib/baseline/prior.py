"""How far a baseline is usually off before any log: the sd of log(actual / baseline).

Assumptions, not measurements. They are wide: a lab works by its own habits, and a bench minute is worse known than a
layer. Half of all runs are then within exp(0.67 sd): with 0.6, between 2/3 and 1.5 times the baseline.
"""

from __future__ import annotations

import numpy as np

# What is off although the geometry is known.
STAGE_SD = {
    "printing": 0.35, "warm_up": 0.5, "cool_down": 0.55, "design_adaptation": 0.75, "file_prep": 0.55,
    "material_drying": 0.45, "washing": 0.45, "drying": 0.6, "post_curing": 0.5, "draining": 0.6,
    "support_dissolving": 0.6, "rinsing": 0.5, "annealing": 0.6, "colouring": 0.6,
}  # fmt: skip
BENCH_SD = 0.6
# What not knowing the geometry adds, by basis, to a stage that depends on it wholly.
BASIS_SD = {"profile": 0.0, "volume": 0.15, "announced": 0.8, "mass_layers": 0.4, "count": 0.8}
PRINTING_ANNOUNCED_SD = 0.15  # announced minutes hold the machine's own knowledge
PRINTING_PATH_SD = 0.15  # in place of STAGE_SD: what is off are accelerations and corners, not walls and fill
# How far a stage depends on geometry; 0 for what is not listed and has the same minutes for every part.
GEOMETRY = {
    "printing": 1.0, "cool_down": 0.6, "support_removal": 0.6, "support_dissolving": 0.3, "sanding": 0.7,
    "part_cleaning": 0.4, "blasting": 0.4, "breakout": 0.5, "powder_prep": 0.5, "powder_recovery": 0.5,
    "inspection": 0.2, "packing": 0.2, "washing": 0.1, "post_curing": 0.1,
}  # fmt: skip
FIXED = 0.1


def prior_sd(stage: str, basis: np.ndarray) -> np.ndarray:
    """Prior sd of a stage for builds with these bases, shape (n,) [-].

    >>> prior_sd("printing", np.array(["profile", "volume", "count"])).round(2).tolist()
    [0.35, 0.38, 0.87]
    """
    own = STAGE_SD.get(stage, BENCH_SD)
    extra = BASIS_SD | ({"announced": PRINTING_ANNOUNCED_SD} if stage == "printing" else {})
    sds = np.empty(len(basis))
    for name, added in extra.items():
        sds[basis == name] = np.hypot(own, GEOMETRY.get(stage, FIXED) * added)
    sds[basis == "path"] = PRINTING_PATH_SD
    return sds
