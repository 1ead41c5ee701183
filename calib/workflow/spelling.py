"""Names as the shop file spells them: 'PA 12' and 'pa-12' in logs and plans are its 'pa12', with its floors."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from calib.shop.model import Shop
from calib.spelling import spelled_alike


def as_spelled(frame: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """The frame with machines, materials and stations that differ from the shop's by spelling only under their own name."""
    known: dict[str, Collection[str]] = {
        "machine": shop.machines,
        "material": shop.materials,
        "station": {**shop.machines, **shop.stations},
    }
    spelled: dict[str, pd.Series] = {}
    for column in known.keys() & set(frame.columns):
        own = {name: spelled_alike(name, known[column]) or name for name in frame[column].dropna().unique()}
        if any(name != meant for name, meant in own.items()):
            spelled[column] = frame[column].map(own).astype(object).where(frame[column].notna(), None)
    return frame.assign(**spelled)
