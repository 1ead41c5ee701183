"""What a pass knew at the end of a week, kept as numbers, so that the next fit need not begin with the first week.

A checkpoint holds for runs whose beginning is the one that it was learned from, to the last bit: a correction of an
old run, a run that comes late, or another version of the model makes those after it useless, and an earlier one serves.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from calib.calibration.builds import BuildEffect, Pairs
from calib.calibration.design import Block, Design, Entries
from calib.calibration.encoder import Encoder
from calib.calibration.normal_equations import Moments
from calib.calibration.options import Options
from calib.calibration.priors import Priors
from calib.calibration.random_walk import Levels
from calib.calibration.recalibrate import Misses, Recalibration
from calib.calibration.rows import Rows
from calib.calibration.scales import Scales
from calib.calibration.usage import Usage
from calib.calibration.weekly import WeeklyPass
from calib.calibration.window import Week

LAST = 2  # of the newest checkpoints all are kept,
EVERY = 13  # of older ones that of each so many weeks
CLASSES = {
    made.__name__: made
    for made in (
        WeeklyPass, Options, Encoder, Design, Block, Entries, Moments, Scales, Levels, BuildEffect, Pairs, Week, Misses,
        Priors, Recalibration, Usage,
    )
}  # fmt: skip
Remembered = list[dict[str, np.ndarray]]


@dataclass(frozen=True, eq=False)
class Checkpoint:
    """A pass after ``rows`` rows, the last of them of ``week``.

    digest : of those rows and of the model; tree : what the pass knows, as JSON that names ``arrays`` by their place
    """

    week: int
    rows: int
    digest: str
    tree: str
    arrays: tuple[np.ndarray, ...]

    def learner(self) -> tuple[WeeklyPass, Remembered]:
        """The pass, and what was remembered of each week, as they were."""
        learner, remembered = _unpacked(json.loads(self.tree), self.arrays)
        learner.encoder.codes = {}  # numbered anew from all rows: by the week that first has a label
        return learner, remembered


@dataclass(eq=False)
class Checkpoints:
    """Those kept; give them to ``Calibrator.fit``, which starts from the newest that holds and adds new ones."""

    kept: list[Checkpoint] = field(default_factory=list)

    def newest(self, rows: Rows, options: Options) -> Checkpoint | None:
        """The newest that was learned from the beginning of ``rows``; those that were not are dropped."""
        week = rows.week
        self.kept = [
            one
            for one in self.kept
            if one.rows == int(np.searchsorted(week, one.week, "right")) < rows.count
            and one.digest == digest(rows, one.rows, options)
        ]
        return max(self.kept, key=lambda one: one.week, default=None)

    def before(self, number: int) -> Checkpoints:
        """Those that know nothing of week ``number``, nor of any after it."""
        return Checkpoints([one for one in self.kept if one.week < number])

    def wants(self, number: int, last: int) -> bool:
        """Whether the end of a week is worth a checkpoint; ``last`` is the last week, which may yet get more rows."""
        return number < last and (number >= last - LAST or number % EVERY == 0)

    def add(self, learner: WeeklyPass, remembered: Remembered, rows: Rows, number: int) -> None:
        """Keep the state of ``learner`` at the end of week ``number``."""
        count, arrays = int(np.searchsorted(rows.week, number, "right")), list[np.ndarray]()
        tree = json.dumps(_packed((learner, remembered), arrays))
        self.kept.append(Checkpoint(number, count, digest(rows, count, learner.options), tree, tuple(arrays)))
        newest = sorted(self.kept, key=lambda one: -one.week)
        self.kept = [one for i, one in enumerate(newest) if i < LAST or one.week % EVERY == 0]

    def to_arrays(self) -> dict[str, np.ndarray]:
        """All as arrays of numbers and text, to be stored.

        Each of the shape, and in the unit, that it has in the fit, logs mostly [log].
        """
        made = {}
        for i, one in enumerate(self.kept):
            facts = {"week": one.week, "rows": one.rows, "digest": one.digest, "count": len(one.arrays)}
            made[f"{i}_facts"], made[f"{i}_tree"] = np.array(json.dumps(facts)), np.array(one.tree)
            made |= {f"{i}_{j}": array for j, array in enumerate(one.arrays)}
        return made

    @classmethod
    def from_arrays(cls, arrays: dict[str, np.ndarray]) -> Checkpoints:
        """What ``to_arrays`` made; none where something is missing, for a fit without them gives the same.

        arrays : of the shapes and units of ``to_arrays`` [log]
        """
        kept = []
        try:
            for i in range(sum(name.endswith("_facts") for name in arrays)):
                facts = json.loads(str(arrays[f"{i}_facts"]))
                parts = tuple(arrays[f"{i}_{j}"] for j in range(facts.pop("count")))
                kept.append(Checkpoint(**facts, tree=str(arrays[f"{i}_tree"]), arrays=parts))
        except (KeyError, TypeError, ValueError):
            return cls()
        return cls(kept)


@cache
def model_digest() -> str:
    """What this version of the model is known by: its source, for another one learns otherwise from the same rows."""
    made = hashlib.blake2b(digest_size=16)
    for path in sorted(Path(__file__).parent.glob("*.py")):
        made.update(path.read_bytes())
    return made.hexdigest()


def digest(rows: Rows, count: int, options: Options) -> str:
    """What the first ``count`` rows and the model are known by."""
    parts = int(np.searchsorted(rows.part_row, count))
    made = hashlib.blake2b(digest_size=16)
    made.update(repr((model_digest(), options)).encode())
    for values in (rows.y, rows.ended, rows.build, rows.censored, rows.width, rows.baseline_min):
        made.update(np.ascontiguousarray(values[:count]).tobytes())
    for values in (rows.part_row, rows.share, rows.log_baseline, rows.attended, rows.terms):
        made.update(np.ascontiguousarray(values[:parts]).tobytes())
    for name, labels in sorted(rows.labels.items()):
        made.update("\x1f".join([name, *map(str, labels[:parts])]).encode())
    return made.hexdigest()


def _packed(value: Any, arrays: list[np.ndarray]) -> Any:
    """A value as JSON, its arrays set aside and named by their place."""
    if isinstance(value, np.ndarray):
        arrays.append(value.copy())
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, dict):
        return {"dict": [[_packed(k, arrays), _packed(v, arrays)] for k, v in value.items()]}
    if isinstance(value, (list, tuple)):
        return {type(value).__name__: [_packed(v, arrays) for v in value]}
    if type(value).__name__ in CLASSES:
        return {"class": type(value).__name__, "fields": {k: _packed(v, arrays) for k, v in vars(value).items()}}
    return value


def _unpacked(node: Any, arrays: tuple[np.ndarray, ...]) -> Any:
    if not isinstance(node, dict):
        return node
    if "array" in node:
        return arrays[node["array"]].copy()
    if "dict" in node:
        return {_unpacked(k, arrays): _unpacked(v, arrays) for k, v in node["dict"]}
    if "class" in node:
        made = object.__new__(CLASSES[node["class"]])
        vars(made).update({name: _unpacked(value, arrays) for name, value in node["fields"].items()})
        return made
    if "tuple" in node:
        return tuple(_unpacked(v, arrays) for v in node["tuple"])
    return [_unpacked(v, arrays) for v in node["list"]]
