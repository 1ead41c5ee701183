"""Builds -> the baseline minutes of each of their stages, as a frame."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.baseline.build import build_minutes
from calib.records import TERM_COLUMNS
from calib.shop.model import Shop

CARRIED = ["build_id", "process", "machine", "material", "finish", "parts", "order_id"]


def baseline_frame(builds: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """One row for each build and stage that its process could have.

    builds : the columns of ``builds`` (docs/interface.md), one row for each build; and ``profile``, see ``with_parts``

    Returns CARRIED columns and stage, baseline_min, touch_min, floor_min [min], basis, prior_sd, fillings, and the shares of the
    formula's terms as term_0, term_1 ...
    """
    base = build_minutes(build_columns(builds), shop, with_terms=True)
    carried = builds.reindex(columns=CARRIED).iloc[base.build].reset_index(drop=True)
    frame = carried.assign(
        stage=base.stage,
        baseline_min=base.minutes,
        touch_min=base.touch_min,
        basis=base.basis,
        prior_sd=base.prior_sd,
        floor_min=base.floor_min,
        fillings=base.fillings,
    )
    assert base.terms is not None
    frame[TERM_COLUMNS] = base.terms
    return _share_design_of_an_order(frame)


def build_columns(builds: pd.DataFrame) -> dict[str, np.ndarray]:
    """The builds as arrays, as the physics takes them; text that is not known becomes ''. Each of shape (builds,)."""
    columns = {}
    for name in builds.columns:
        values = builds[name]
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            columns[name] = values.to_numpy(float, na_value=np.nan)
        else:
            columns[name] = values.astype(object).where(values.notna(), "").to_numpy(object)
    return columns


def _share_design_of_an_order(frame: pd.DataFrame) -> pd.DataFrame:
    """Adapting a design is done once for an order: its builds share it by their parts, as logged minutes are shared."""
    shared = (frame["stage"] == "design_adaptation") & frame["order_id"].notna() & (frame["order_id"] != "")
    parts = frame.loc[shared, "parts"].astype(float)
    share = parts / parts.groupby(frame.loc[shared, "order_id"]).transform("sum")
    for column in ("baseline_min", "touch_min"):
        frame.loc[shared, column] *= share
    return frame
