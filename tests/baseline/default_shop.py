"""The shipped default shop, and builds as columns, for the tests of this folder."""

from __future__ import annotations

import numpy as np

from calib.baseline.build import build_minutes
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

SHOP = shop_from_text(shop_text("UTC"))
MACHINES = {"MEX": "mex1", "VPP": "vpp1", "PBF": "pbf1"}


def columns(**values):
    """Columns of n builds; single values are repeated."""
    count = max((len(v) for v in values.values() if isinstance(v, list)), default=1)
    made = {}
    for name, value in values.items():
        rows = value if isinstance(value, list) else [value] * count
        kind = float if all(isinstance(one, int | float) and one is not None for one in rows) else object
        made[name] = np.empty(count, kind)
        made[name][:] = rows
    return made


def minutes(shop=SHOP, **values):
    """Minutes by stage of one build: a dict; touch minutes with ``touch=True``."""
    touch = values.pop("touch", False)
    values.setdefault("machine", MACHINES[values["process"]])
    base = build_minutes(columns(**values), shop)
    return dict(zip(base.stage, base.touch_min if touch else base.minutes, strict=True))


def box(x, y, z):
    """Twelve triangles of a box that stands on the plate."""
    p = np.array([[i, j, k] for k in (0, z) for j in (0, y) for i in (0, x)], float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return np.array([p[list(t)] for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
