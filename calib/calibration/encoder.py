"""Labels as numbers, in the order in which weeks brought them, so that adding weeks renumbers nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from calib.calibration.columns import UNKNOWN
from calib.calibration.design import RADIX, Block, Coded
from calib.calibration.options import FACTORS
from calib.calibration.priors import Priors
from calib.calibration.rows import Rows

SIZE_REACH = 3.0  # log units from a cell's middle size beyond which size has no further effect
NEGLIGIBLE = 1e-4  # share by which a term may differ from its middle without a word
SEPARATOR = "\x1f"  # the unit separator of ASCII: joins the labels of a cell


@dataclass(eq=False)
class Encoder:
    """Codes of labels, per column, and the middle size of each cell.

    codes : column -> label -> code; ``cell`` holds the group's labels joined
    middle : cell code -> middle of the log baseline that 'size' is counted from [log min], then of the terms' shares
    """

    group: tuple[str, ...]
    codes: dict[str, dict[str, int]] = field(default_factory=dict)
    middle: list[np.ndarray] = field(default_factory=list)

    @property
    def columns(self) -> tuple[str, ...]:
        return (*self.group, *FACTORS, "basis", "cell")

    def fit(self, rows: Rows) -> None:
        """Number labels that are new, by the week that first has them, then by name."""
        week = rows.week[rows.part_row]
        for name, labels in self._all_labels(rows).items():
            known = self.codes.setdefault(name, {})
            codes, values = pd.factorize(labels)
            given = codes >= 0
            first = np.full(len(values), np.iinfo(np.int64).max)
            np.minimum.at(first, codes[given], week[given])
            for _, label in sorted(zip(first.tolist(), map(str, values), strict=True)):
                known.setdefault(label, len(known))

    def number(self, priors: Priors) -> None:
        """Give the first codes to labels of which other labs know something."""
        for _, block, labels, _ in priors.means:
            columns = {block: labels[0]} if block in FACTORS else {}
            if block == "cell":
                columns = dict(zip(self.group, labels, strict=True))
                columns["cell"] = SEPARATOR.join(labels)
            for name, label in columns.items():
                known = self.codes.setdefault(name, {})
                known.setdefault(label, len(known))

    def keys_of(self, block: Block, means: Mapping[tuple[str, ...], float]) -> dict[int, float]:
        """Means by the key of their effect, see ``Coded.key_of``."""
        return {self._key(block, labels): mean for labels, mean in means.items()}

    def _key(self, block: Block, labels: tuple[str, ...]) -> int:
        if block.keys == ("cell",):
            return self.codes["cell"][SEPARATOR.join(labels)]
        key = 0
        for name, label in zip(block.keys, labels, strict=True):
            key = key * RADIX + (int(label) if name == "attended" else self.codes[name][label])
        return key

    def transform(self, rows: Rows) -> Coded:
        """Rows as numbers; labels never seen get numbers beyond the known ones, alike for alike labels."""
        codes = {name: self._coded(name, labels) for name, labels in self._all_labels(rows).items()}
        attended = rows.attended.astype(np.int64)
        codes["attended"] = attended
        return Coded(codes, np.zeros(len(attended)), rows.part_row, rows.share, attended, rows.terms)

    def measure(self, coded: Coded, log_baseline: np.ndarray, learn: bool) -> None:
        """Fill in sizes and centre the terms; with ``learn`` cells that are new get their middles, which then stay.

        log_baseline : shape (parts,), log of the baseline minutes [log min]
        """
        cell = coded.codes["cell"]
        measured = np.column_stack([log_baseline, coded.term_shares])
        if learn:
            for code in range(int(cell.max(initial=UNKNOWN)) + 1):
                if code == len(self.middle):
                    self.middle.append(_known_mean(measured[cell == code]))
                elif np.isnan(self.middle[code][0]):  # known from other labs, but without a run here until now
                    self.middle[code] = _known_mean(measured[cell == code])
        middle = np.array([*self.middle, np.full(measured.shape[1], np.nan)])
        place = np.where((cell >= 0) & (cell < len(self.middle)), cell, len(self.middle))
        apart = np.nan_to_num(np.clip(measured - middle[place], -SIZE_REACH, SIZE_REACH))
        coded.size, coded.terms = apart[:, 0], np.where(np.abs(apart[:, 1:]) > NEGLIGIBLE, apart[:, 1:], 0.0)

    def labels(self, name: str) -> list[str]:
        """Labels of a column in order of their codes."""
        return list(self.codes.get(name, {}))

    def _coded(self, name: str, labels: np.ndarray) -> np.ndarray:
        known = self.codes.get(name, {})
        codes, values = pd.factorize(labels)
        later = iter(range(len(known), len(known) + len(values)))
        table = np.array([*(known[v] if v in known else next(later) for v in values), UNKNOWN], np.int64)
        return table[codes]

    def _all_labels(self, rows: Rows) -> dict[str, np.ndarray]:
        return {**rows.labels, "cell": cell_labels(rows, self.group)}


def _known_mean(values: np.ndarray) -> np.ndarray:
    """Mean of each column over what is known of it; NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, values, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def cell_labels(rows: Rows, group: tuple[str, ...]) -> np.ndarray:
    """The group's labels of each part joined, shape (parts,); None where one of them is not known.

    Texts [-].
    """
    combined = rows.labels[group[0]]
    for name in group[1:]:
        codes, values = pd.factorize(combined)
        more, others = pd.factorize(rows.labels[name])
        known = (codes >= 0) & (more >= 0)
        pairs, back = np.unique(codes[known] * len(others) + more[known], return_inverse=True)
        texts = [f"{values[p // len(others)]}{SEPARATOR}{others[p % len(others)]}" for p in pairs.tolist()]
        combined = np.full(len(codes), None, dtype=object)
        combined[known] = np.array(texts, dtype=object)[back]
    return combined
