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
