"""Which effects a row has: blocks of parameters, growing as new levels appear; rows -> sparse entries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calib.calibration.columns import UNKNOWN
from calib.calibration.options import FACTORS, Options
from calib.calibration.priors import LOCATION, SCALE, Priors
from calib.records import TERM_COLUMNS, TERMS

TERM_SD = 0.3  # log ratio of a baseline that is one term alone against one that has none of it, before any data
PAIR_SD = 0.01  # of what two things do together beyond the sum of both, before any data (an assumption)
RADIX = 1 << 24  # labels of one column at most
CROWDED = 0.75  # share of the room from which on an effect needs more rows, up to DEAREST times as many
DEAREST = 16.0
MOST_LEVELS = 64  # cells whose level walks: each costs a parameter a week of the window


@dataclass(frozen=True)
class Block:
    """Effects of one kind that share a variance.

    keys : columns whose labels together name an effect; none for a single effect
    times : what multiplies it: 'one', 'size' (log baseline less the cell's middle), 'bend' (curved size), or 'term_0' ...
        (share of a term of the baseline, less the cell's middle)
    only : 'attended', 'unattended' or '' : rows that have it
    start_sd, start_weight : sd before any data, and the number of effects that this is worth
    fixed : the variance is not learned
    needs : rows before an effect is admitted, where there is room
    most : effects of this kind at most; 0 for no limit of its own
    """

    name: str
    keys: tuple[str, ...]
    times: str = "one"
    only: str = ""
    start_sd: float = 0.1
    start_weight: float = 2.0
    fixed: bool = False
    needs: int = 1
    most: int = 0


def location_blocks(options: Options) -> tuple[Block, ...]:
    """Effects on log(actual / baseline)."""
    parents = options.group if len(options.group) > 1 else ()
    blocks = [Block("whole", (), start_sd=10.0, fixed=True)]
    blocks += [Block(name, (name,), start_sd=0.15) for name in parents]
    blocks += [Block("cell", ("cell",), start_sd=0.15)]
    blocks += [Block("size", ("attended",), "size", start_sd=0.15)]
    blocks += [Block(f"size_{name}", (name,), "size", start_sd=0.08) for name in parents]
    blocks += [Block("size_cell", ("cell",), "size", start_sd=0.08)]
    blocks += [
        Block("bend", ("attended",), "bend", start_sd=0.05),
        Block("bend_cell", ("cell",), "bend", start_sd=0.05),
    ]
    for factor in FACTORS:
        only = "attended" if factor == "operator" else ""
        blocks.append(Block(factor, (factor,) if only else (factor, "attended"), only=only))
        within = "unattended" if factor == "machine" else only
        blocks.append(Block(f"{factor}_cell", (factor, "cell"), only=within, start_sd=0.05, needs=2))
    blocks += [Block(name, ("cell",), name, start_sd=TERM_SD, needs=5) for name in TERM_COLUMNS]
    blocks += [
        Block("size_operator", ("operator",), "size", "attended", start_sd=PAIR_SD, needs=5),
        Block("operator_machine", ("operator", "machine"), only="attended", start_sd=PAIR_SD, needs=5),
        Block("material_machine", ("material", "machine"), only="unattended", start_sd=PAIR_SD, needs=5),
        Block("size_material", ("material", "cell"), "size", "unattended", start_sd=0.03, needs=3),
    ]
    blocks.append(Block("basis_cell", ("basis", "cell")))
    if options.dynamic:
        blocks.append(Block("level", ("cell",), fixed=True, needs=8, most=MOST_LEVELS))
    return _as_known(blocks, LOCATION, options.priors)


def scale_blocks(options: Options) -> tuple[Block, ...]:
    """Effects on the log of the noise's scale."""
    parents = options.group if len(options.group) > 1 else ()
    blocks = [Block("whole", ("attended",), start_sd=1.0, fixed=True)]
    blocks += [Block(name, (name,), start_sd=0.2, start_weight=4.0) for name in parents]
    blocks += [Block("cell", ("cell",), start_sd=0.3, start_weight=4.0)]
    blocks += [Block("size", ("attended",), "size", start_sd=0.2, start_weight=4.0)]
    blocks += [Block("size_cell", ("cell",), "size", start_sd=0.1, start_weight=4.0)]
    blocks += [Block("bend_cell", ("cell",), "bend", start_sd=0.05, start_weight=4.0)]
    blocks += [Block("operator", ("operator",), only="attended", start_sd=0.1, start_weight=4.0)]
    blocks += [Block("basis", ("basis",), start_sd=0.2, start_weight=4.0)]
    return _as_known(blocks, SCALE, options.priors)


def _as_known(blocks: list[Block], part: str, priors: Priors | None) -> tuple[Block, ...]:
    """The blocks, with the spreads that other labs have."""
    spreads = priors.spreads(part) if priors else {}
    return tuple(
        replace(block, start_sd=spreads[block.name][0], start_weight=spreads[block.name][1])
        if block.name in spreads
        else block
        for block in blocks
    )


@dataclass(eq=False)
class Coded:
    """Parts of rows as numbers.

    codes : column -> shape (parts,), code of its label, UNKNOWN where not known or never seen
    size, bend : shape (parts,), see Block.times
    term_shares, terms : shape (parts, TERMS), shares of the terms as stated, and less the cell's middle
    """

    codes: dict[str, np.ndarray]
    size: np.ndarray
    part_row: np.ndarray
    share: np.ndarray
    attended: np.ndarray
    term_shares: np.ndarray
    terms: np.ndarray = field(default_factory=lambda: np.zeros((0, TERMS)))

    @property
    def bend(self) -> np.ndarray:
        """What multiplies the bend of the effect of size, shape (parts,) [-]: see ``Block.times``."""
        return np.asarray(self.size**2 / (1 + np.abs(self.size)))

    def take(self, parts: np.ndarray, part_row: np.ndarray) -> Coded:
        """Some parts by themselves.

        parts : shape (k,), numbers of parts [-]; part_row : shape (k,), row of each among those taken [-]
        """
        codes = {name: values[parts] for name, values in self.codes.items()}
        terms = self.terms[parts] if len(self.terms) else self.terms
        return Coded(
            codes, self.size[parts], part_row, self.share[parts], self.attended[parts], self.term_shares[parts], terms
        )

    def key_of(self, block: Block) -> np.ndarray:
        """One number for the labels that name the effect; UNKNOWN where any of them is not known.

        Returns shape (parts,) [-].
        """
        key = np.zeros(len(self.size), np.int64)
        known = np.ones(len(self.size), bool)
        for name in block.keys:
            code = self.codes[name]
            known &= code != UNKNOWN
            key = key * RADIX + code
        return np.where(known, key, UNKNOWN)

    def value_of(self, block: Block) -> np.ndarray:
        """What multiplies the effect in each part; 0 where the part does not have it.

        Returns shape (parts,) [-].
        """
        value = self._multiplier(block.times) * self.share
        if block.only:
            value = np.where((self.attended == 1) == (block.only == "attended"), value, 0.0)
        return np.asarray(value)

    def _multiplier(self, times: str) -> np.ndarray:
        if times.startswith("term_"):
            return self.terms[:, int(times[5:])]
        return np.ones(len(self.size)) if times == "one" else self.size if times == "size" else self.bend


@dataclass(eq=False)
class Entries:
    """Sparse rows: entry i says that row[i] has column[i] times value[i]; the same for effects never seen.

    new_row, new_block, new_key, new_value : effects without a column: their block's variance stands for them
    """

    row: np.ndarray
    column: np.ndarray
    value: np.ndarray
    new_row: np.ndarray
    new_block: np.ndarray
    new_key: np.ndarray
    new_value: np.ndarray

    def take(self, start: int, stop: int) -> Entries:
        """Those of the rows ``start`` to before ``stop`` by themselves."""
        known, new = ((row >= start) & (row < stop) for row in (self.row, self.new_row))
        return Entries(
            self.row[known] - start, self.column[known], self.value[known],
            self.new_row[new] - start, self.new_block[new], self.new_key[new], self.new_value[new],
        )  # fmt: skip


@dataclass(eq=False)
class Design:
    """Blocks with the columns of the effects admitted so far.

    centre : shape (size,), mean of each effect before any run
    """

    blocks: tuple[Block, ...]
    most: int
    size: int = 0
    keys: dict[str, np.ndarray] = field(default_factory=dict)
    columns: dict[str, np.ndarray] = field(default_factory=dict)
    seen: dict[str, dict[int, int]] = field(default_factory=dict)
    centre: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        for block in self.blocks:
            self.keys.setdefault(block.name, np.zeros(0, np.int64))
            self.columns.setdefault(block.name, np.zeros(0, np.int64))
            self.seen.setdefault(block.name, {})

    def admit(self, coded: Coded) -> dict[str, np.ndarray]:
        """Give columns to effects that have been seen often enough by now; new keys of each block, sorted.

        Returns for each block shape (new effects,) [-].
        """
        fresh = {}
        for block in self.blocks:
            key = coded.key_of(block)
            found, counts = np.unique(key[(coded.value_of(block) != 0) & (key != UNKNOWN)], return_counts=True)
            fresh[block.name] = self._admit(block, found, counts)
        return fresh

    def _admit(self, block: Block, found: np.ndarray, counts: np.ndarray) -> np.ndarray:
        unknown = ~np.isin(found, self.keys[block.name])
        seen = self.seen[block.name]
        ready, least = [], self._least(block)
        for key, count in zip(found[unknown].tolist(), counts[unknown].tolist(), strict=True):
            seen[key] = seen.get(key, 0) + count
            if seen[key] >= least:
                ready.append((-seen[key], key))
        room = self._room(block)
        chosen = np.sort(np.array([key for _, key in sorted(ready)[: max(room, 0)]], np.int64))
        for key in chosen.tolist():
            del seen[key]
        self._add(block, chosen, np.zeros(len(chosen)))
        return chosen

    def admit_known(self, block: Block, means: Mapping[int, float]) -> None:
        """Give columns to effects of which something is known before any run, by key."""
        self._add(block, np.array(list(means), np.int64), np.array(list(means.values()), float))

    def _add(self, block: Block, chosen: np.ndarray, centre: np.ndarray) -> None:
        keys = np.concatenate([self.keys[block.name], chosen])
        columns = np.concatenate([self.columns[block.name], self.size + np.arange(len(chosen))])
        order = np.argsort(keys, kind="stable")
        self.keys[block.name], self.columns[block.name] = keys[order], columns[order]
        self.centre = np.append(self.centre, centre)
        self.size += len(chosen)

    def _room(self, block: Block) -> int:
        """Effects that may still be added to a block; what a block with a limit of its own may take is kept free for it."""
        kept = sum(other.most - len(self.keys[other.name]) for other in self.blocks if other.most)
        return block.most - len(self.keys[block.name]) if block.most else self.most - self.size - kept

    def _least(self, block: Block) -> float:
        """Rows that a new effect needs now: the fuller the design, the more."""
        if block.most:
            return block.needs
        crowd = max(self.size / self.most - CROWDED, 0.0) / (1 - CROWDED)
        return float(block.needs * DEAREST**crowd)

    def entries(self, coded: Coded) -> Entries:
        """Sparse entries of all parts; a part whose label is not known has an effect of its own, never seen."""
        found: list[tuple[np.ndarray, ...]] = []
        new: list[tuple[np.ndarray, ...]] = []
        for number, block in enumerate(self.blocks):
            key, value = coded.key_of(block), coded.value_of(block)
            keys, columns = self.keys[block.name], self.columns[block.name]
            at = np.minimum(np.searchsorted(keys, key), max(len(keys) - 1, 0))
            known = (keys[at] == key) & (value != 0) if len(keys) else np.zeros(len(key), bool)
            found.append((coded.part_row[known], columns[at[known]] if len(keys) else at[known], value[known]))
            lost = ~known & (value != 0) & self._uncertain(block, key)
            new.append((coded.part_row[lost], np.full(lost.sum(), number), key[lost], value[lost]))
        known_entries = [np.concatenate(column) for column in zip(*found, strict=True)]
        return Entries(*known_entries, *[np.concatenate(column) for column in zip(*new, strict=True)])

    def _uncertain(self, block: Block, key: np.ndarray) -> np.ndarray:
        """Whether an effect without a column widens the range: not where the factor does not apply."""
        if block.name == "level":
            return np.zeros(len(key), bool)
        somebody = block.keys[:1] == ("operator",) and len(self.keys[block.name]) > 0
        return np.asarray((key != UNKNOWN) | somebody)


def prior_precision(design: Design, variance: dict[str, float]) -> np.ndarray:
    """One over the variance of each effect's block; a walking level has its prior in the sums of closed weeks.

    Returns shape (size,) [1/log^2].
    """
    precision = np.zeros(design.size)
    for block in design.blocks:
        if block.name != "level":
            precision[design.columns[block.name]] = 1 / variance[block.name]
    return precision


def before_any_run(design: Design, variance: dict[str, float]) -> np.ndarray:
    """Covariance of the effects that are known before any run, shape (size, size).

    In the unit of ``variance`` [log^2].
    """
    spread = np.zeros(design.size)
    for block in design.blocks:
        spread[design.columns[block.name]] = variance[block.name]
    return np.diag(spread)
