"""The second law as tables of numbers, and back, to the last bit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from calib.calibration.recalibrate import LEVELS as CENTRAL
from calib.calibration.second_law import LabelMeans, SecondLaw, Trees

FOREST = 0.0  # stands for the forest where boosted trees have their level
NAMES = ("second_law", "second_law_nodes", "second_law_leaves", "second_law_labels")
STRETCH = [f"stretch_{100 * level:.0f}" for level in CENTRAL]


def second_law_tables(law: SecondLaw) -> dict[str, pd.DataFrame]:
    """The law as tables, see NAMES; without trees where they have no weight."""
    numbers = {"weight": law.weight, "gain": law.gain, "rows": float(law.rows), "overall": law.means.overall}
    numbers |= dict(zip(STRETCH, law.stretch.tolist(), strict=True))
    groups = {level: trees for level, (_, trees) in law.boosted.items()}
    if law.forest is not None:
        groups[FOREST] = law.forest
        numbers["points"] = float(law.forest.value.shape[1])
    facts = [(name, number, "") for name, number in numbers.items()] + [("leading", 0.0, law.leading)]
    facts += [("start", start, repr(level)) for level, (start, _) in law.boosted.items()]
    labels = [
        pd.DataFrame({"factor": name, "code": np.arange(len(mean)), "mean": mean})
        for name, mean in law.means.by_code.items()
    ]
    nodes, leaves = ([made(level, trees) for level, trees in groups.items()] for made in (_nodes, _leaves))
    none = np.zeros(0, np.int64)
    empty = Trees(none, none, np.zeros(0), none, none, np.zeros((0, 1)))
    return {
        "second_law": pd.DataFrame(facts, columns=["name", "number", "text"]),
        "second_law_nodes": pd.concat(nodes or [_nodes(FOREST, empty)], ignore_index=True),
        "second_law_leaves": pd.concat(leaves or [_leaves(FOREST, empty)], ignore_index=True),
        "second_law_labels": pd.concat(
            labels or [pd.DataFrame({"factor": [], "code": np.zeros(0, np.int64), "mean": []})], ignore_index=True
        ),
    }


def second_law_of(tables: dict[str, pd.DataFrame]) -> SecondLaw:
    """The law that ``second_law_tables`` wrote; none where the fit is of a version that had none."""
    if any(name not in tables for name in NAMES):
        return SecondLaw()
    facts = tables["second_law"]
    number = dict(zip(facts["name"], facts["number"].astype(float), strict=True))
    text = dict(zip(facts["name"], facts["text"], strict=True))
    law = SecondLaw(
        number["weight"], number["gain"], int(number["rows"]), str(text["leading"]),
        np.array([number[name] for name in STRETCH]), LabelMeans(number["overall"]),
    )  # fmt: skip
    for name, part in tables["second_law_labels"].groupby("factor", sort=False):
        law.means.by_code[str(name)] = part["mean"].to_numpy(float)
    if law.weight > 0 or "points" in number:
        law.forest = _trees(FOREST, tables, int(number["points"]))
    starts = facts[facts["name"] == "start"]
    for level, start in zip(starts["text"].astype(float), starts["number"].astype(float), strict=True):
        law.boosted[level] = (start, _trees(level, tables, 1))
    return law


def _nodes(level: float, trees: Trees) -> pd.DataFrame:
    root = np.zeros(len(trees.feature), np.int64)
    root[trees.root] = 1
    return pd.DataFrame(
        {
            "level": level,
            "root": root,
            "feature": trees.feature,
            "threshold": np.asarray(trees.threshold, float),
            "left": trees.left,
            "right": trees.right,
        }
    )


def _leaves(level: float, trees: Trees) -> pd.DataFrame:
    return pd.DataFrame({"level": level, "value": trees.value.ravel()})


def _trees(level: float, tables: dict[str, pd.DataFrame], points: int) -> Trees:
    nodes, leaves = (tables[name][tables[name]["level"] == level] for name in ("second_law_nodes", "second_law_leaves"))
    if nodes.empty or leaves.empty:
        raise ValueError("trees of the second law are missing")
    whole = {name: nodes[name].to_numpy(np.int64) for name in ("root", "feature", "left", "right")}
    return Trees(
        np.flatnonzero(whole["root"]), whole["feature"], nodes["threshold"].to_numpy(float), whole["left"],
        whole["right"], leaves["value"].to_numpy(float).reshape(-1, points),
    )  # fmt: skip
