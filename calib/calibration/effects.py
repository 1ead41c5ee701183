"""The correction of one cell split into its effects, each with its range: what ``why`` shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.calibration.design import RADIX, Block
from calib.calibration.state import State
from calib.calibration.vocabulary import SEPARATOR
from calib.records import STAGES

WIDTH = 1.2816  # normal score of an 80 % range


def cell_effects(state: State, labels: tuple[str, ...]) -> pd.DataFrame:
    """Effects that act in the cell: factor, value, per cent, low, high (80 % range), runs.

    labels : the group's labels of the cell
    """
    cell = state.vocabulary.codes.get("cell", {}).get(SEPARATOR.join(labels))
    group = {name: state.vocabulary.codes.get(name, {}).get(label) for name, label in zip(
        state.options.group, labels, strict=True)}  # fmt: skip
    stage = STAGES.get(dict(zip(state.options.group, labels, strict=True)).get("stage", ""))
    if stage is not None:
        group["attended"] = int(stage.hands in ("all", "part"))
    rows = []
    for block in state.design.blocks:
        for key, column in zip(state.design.keys[block.name], state.design.columns[block.name], strict=True):
            codes = _codes(block, int(key))
            acts = all(codes[name] == cell if name == "cell" else codes[name] == group.get(name, codes[name])
                       for name in block.keys)  # fmt: skip
            if acts:
                rows.append(_row(state, block, codes, int(column), cell))
    return pd.DataFrame(rows, columns=["factor", "value", "per_cent", "low", "high", "runs"])


def _codes(block: Block, key: int) -> dict[str, int]:
    codes = {}
    for name in reversed(block.keys):
        key, codes[name] = divmod(key, RADIX)
    return codes


def _row(state: State, block: Block, codes: dict[str, int], column: int, cell: int | None) -> tuple:
    mean = state.location.mean[column]
    sd = float(np.sqrt(max(state.location.covariance[column, column], 0.0)))
    kinds = ("by machine", "by hand")
    texts = [
        kinds[codes[name]] if name == "attended" else state.vocabulary.labels(name)[codes[name]]
        for name in block.keys
        if name != "cell"
    ]
    low, middle, high = (100 * float(np.expm1(mean + k * sd)) for k in (-WIDTH, 0.0, WIDTH))
    runs = state.runs[cell] if cell is not None and cell < len(state.runs) else 0.0
    return block.name, ", ".join(texts), middle, low, high, float(runs)
