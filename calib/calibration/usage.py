"""Who and where a cell's runs usually are: what stands in where a plan does not say."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.columns import UNKNOWN
from calib.calibration.design import RADIX, Coded, Design, Entries
from calib.calibration.options import FACTORS

HALF_LIFE_WEEKS = 13.0
MOST = 6  # labels that stand in for one that is not known


@dataclass(eq=False)
class Usage:
    """Runs of each label in each cell, older ones fading.

    keys : factor -> sorted cell * RADIX + label codes; weight : factor -> runs behind each
    """

    keys: dict[str, np.ndarray] = field(default_factory=lambda: {name: np.zeros(0, np.int64) for name in FACTORS})
    weight: dict[str, np.ndarray] = field(default_factory=lambda: {name: np.zeros(0) for name in FACTORS})

    def add(self, coded: Coded, weeks: float) -> Usage:
        """Usage after a week's runs that ended ``weeks`` after the last ones."""
        faded = 0.5 ** (weeks / HALF_LIFE_WEEKS)
        made = Usage()
        for name in FACTORS:
            label = coded.codes[name]
            fresh = (coded.codes["cell"] * RADIX + label)[label != UNKNOWN]
            every = np.concatenate([self.keys[name], fresh])
            weight = np.concatenate([self.weight[name] * faded, np.ones(len(fresh))])
            made.keys[name], place = np.unique(every, return_inverse=True)
            made.weight[name] = np.bincount(place, weight, len(made.keys[name]))
        return made

    def usual(self, name: str, cells: int) -> tuple[np.ndarray, np.ndarray]:
        """Codes and shares of the labels most used in each cell, shape (cells, MOST); shares are 0 where there are none.

        Codes and shares have no unit [-].
        """
        codes, shares = np.zeros((cells, MOST), np.int64), np.zeros((cells, MOST))
        cell = self.keys[name] // RADIX
        order = np.lexsort((-self.weight[name], cell))
        cell = cell[order]
        rank = np.arange(len(cell)) - np.searchsorted(cell, cell)
        kept = (rank < MOST) & (cell < cells)
        codes[cell[kept], rank[kept]] = self.keys[name][order][kept] % RADIX
        shares[cell[kept], rank[kept]] = self.weight[name][order][kept]
        return codes, shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-300)


def usual_label(usage: Usage, name: str, cell: np.ndarray, code: np.ndarray) -> np.ndarray:
    """Codes of a factor's labels, shape (n,); where one is not known, the one that its cell's runs have most often.

    cell, code : shape (n,) [-]
    """
    codes, shares = usage.usual(name, max(int(cell.max(initial=-1)) + 1, 1))
    stands_in = (code == UNKNOWN) & (cell != UNKNOWN) & (shares[cell, 0] > 0)
    return np.where(stands_in, codes[cell, 0], code)


def entries_as_usual(design: Design, coded: Coded, usage: Usage) -> Entries:
    """Entries of all parts; where a factor is not known, those of its usual labels, each by its share.

    How much the labels differ widens the range: by 1 - sum of squared shares of the block's variance, nothing where one
    label did it all.
    """
    mixed, unsure = coded, []
    for name in FACTORS:
        cell = coded.codes["cell"]
        cells = int(cell.max(initial=-1)) + 1
        codes, shares = usage.usual(name, cells)
        if not shares.any():
            continue
        lost = (coded.codes[name] == UNKNOWN) & (shares.max(axis=1) > 0)[cell]
        mixed = _spread(mixed, name, codes, shares)
        apart = np.where(lost, 1.0 - (shares[cell] ** 2).sum(axis=1), 0.0)
        unsure += [
            (number, coded.value_of(block) * np.sqrt(np.maximum(apart, 0.0)))
            for number, block in enumerate(design.blocks)
            if name in block.keys
        ]
    return _with_unsure(design.entries(mixed), coded, unsure)


def _spread(coded: Coded, name: str, codes: np.ndarray, shares: np.ndarray) -> Coded:
    """Parts whose label is not known as several parts, one for each usual label."""
    cell = coded.codes["cell"]
    lost = (coded.codes[name] == UNKNOWN) & (shares.max(axis=1) > 0)[cell]
    if not lost.any():
        return coded
    times = np.where(lost, (shares[cell] > 0).sum(axis=1), 1)
    part = np.repeat(np.arange(len(cell)), times)
    rank = np.arange(len(part)) - np.repeat(np.cumsum(times) - times, times)
    made = coded.take(part, coded.part_row[part])
    filled = lost[part]
    made.codes[name] = np.where(filled, codes[cell[part], rank * filled], made.codes[name])
    made.share = np.where(filled, made.share * shares[cell[part], rank * filled], made.share)
    return made


def _with_unsure(entries: Entries, coded: Coded, unsure: list[tuple[int, np.ndarray]]) -> Entries:
    for number, value in unsure:
        at = np.flatnonzero(value)
        entries.new_row = np.concatenate([entries.new_row, coded.part_row[at]])
        entries.new_block = np.concatenate([entries.new_block, np.full(len(at), number)])
        entries.new_key = np.concatenate([entries.new_key, np.full(len(at), UNKNOWN)])
        entries.new_value = np.concatenate([entries.new_value, value[at]])
    return entries
