"""A machine's path in the words of ISO 6983 -> its moves; comments and what no standard names are passed over."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.errors import PathFileError
from calib.geometry.path_words import Words, read_words
from calib.plain_file import check_plain
from calib.records import MOVE_KINDS, HeatWord, MachinePath

ENDINGS = (".nc", ".gcode", ".g", ".ngc", ".tap")
MOST_BYTES = 512 * 1024**2
MOST_BLOCKS = 5_000_000
MOST_HEAT_WORDS = 10_000
GREATEST_MM = 1e5  # no machine is a hundred metres long
PIECE_BYTES = 4 * 1024**2
INCH_MM = 25.4
LAYER_STEP_MM = 0.01  # heights nearer than this are one layer: a path that climbs all the time has no others
AXES = "XYZE"
ARC = "IJR"
NUMBERS = AXES + ARC + "FPS"
MOVES = (0, 1, 2, 3)
SILENT = {("G", 17), ("M", 2), ("M", 30), ("M", 0), ("M", 1)}  # plane of arcs, end, stop: known, and cost no time
HEATERS = {104: ("nozzle", False), 109: ("nozzle", True), 140: ("bed", False), 190: ("bed", True)}


def read_path(path: Path) -> MachinePath:
    """The moves of a path file.

    Understood are G0 to G3, G4, G20, G21, G28, G90, G91, G92, F, the axis words X, Y, Z and E, arcs by I and J or by R;
    and M82, M83 (E absolute, relative), M104, M109, M140, M190. Every other word is counted and named in the notes; a
    programme's own loops, variables and calls are never followed.

    Source: ISO 6983-1:2009; E, G28 without words, P of G4 in ms and S in s, and the M words: common practice, no source.
    Raises PathFileError for what cannot be read, has no move, or leaves every machine.
    """
    text = _bytes_of(path)
    blocks = _Blocks.of(text, path.name)
    moves = _Moves(blocks, path.name)
    if not moves.laid.any():
        raise PathFileError(
            f"{path.name} lays no material: no G1 to G3 moves X or Y and feeds E.", "Is it the path of an extruder?"
        )
    return moves.as_path(path.name, hashlib.sha256(text).hexdigest())


def _bytes_of(path: Path) -> bytes:
    check_plain(path, PathFileError)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise PathFileError(
                f"{path.name} has {size / 1024**2:.0f} MB; at most {MOST_BYTES // 1024**2} MB are read.",
                "Write the plate as several paths.",
            )
        text = path.read_bytes()
    except OSError as error:
        raise PathFileError(
            f"{path.name} cannot be read: {error.strerror}.", "Check its name and permissions."
        ) from error
    if not text.strip():
        raise PathFileError(f"{path.name} is empty.", "Write the path again.")
    return text


def _pieces(text: bytes) -> Iterator[bytes]:
    start = 0
    while start < len(text):
        end = text.find(b"\n", start + PIECE_BYTES) + 1 or len(text)
        yield text[start:end]
        start = end


@dataclass(eq=False)
class _Blocks:
    """The words of the blocks that hold any, one row each.

    numbers : letter -> shape (n,), NaN where the block has none
    codes : ('G' or 'M') -> blocks and whole numbers of these words, in the order of the file
    """

    line: np.ndarray
    numbers: dict[str, np.ndarray]
    codes: dict[str, tuple[np.ndarray, np.ndarray]]
    lines: int
    strange: Counter[str]
    broken: int

    @staticmethod
    def of(text: bytes, name: str) -> _Blocks:
        pieces: list[_Blocks] = []
        lines = 0
        for piece in _pieces(text):
            words = read_words(piece)
            pieces.append(_blocks_of(words, lines))
            lines += words.blocks
            if lines > MOST_BLOCKS:
                raise PathFileError(
                    f"{name} has more than {MOST_BLOCKS:,} lines.", "Write the plate as several paths, or with arcs."
                )
        return _joined(pieces, lines)


def _blocks_of(words: Words, first_line: int) -> _Blocks:
    line, block = np.unique(words.block, return_inverse=True)
    numbers, known = {}, np.zeros(len(words.value), bool)
    whole = np.isfinite(words.value)
    for letter in NUMBERS:
        here = words.letter == ord(letter)
        known |= here
        if here.any():
            values = np.full(len(line), np.nan)
            values[block[here]] = words.value[here]
            numbers[letter] = values
    codes = {}
    for letter in "GM":
        here = (words.letter == ord(letter)) & whole
        known |= here
        codes[letter] = (block[here], words.value[here])
    known |= words.letter == ord("N")
    strange = Counter(
        {chr(code): int(n) for code, n in zip(*np.unique(words.letter[~known], return_counts=True), strict=True)}
    )
    return _Blocks(line + first_line, numbers, codes, words.blocks, strange, int((known & ~whole).sum()))


def _joined(pieces: list[_Blocks], lines: int) -> _Blocks:
    """Pieces one after another."""
    sizes = [len(piece.line) for piece in pieces]
    starts = np.cumsum([0, *sizes])
    numbers = {}
    for letter in NUMBERS:
        if any(letter in piece.numbers for piece in pieces):
            parts = [piece.numbers.pop(letter, np.full(len(piece.line), np.nan)) for piece in pieces]
            numbers[letter] = np.concatenate(parts)
    codes = {}
    for letter in "GM":
        rows = [piece.codes[letter][0] + start for piece, start in zip(pieces, starts, strict=False)]
        codes[letter] = (np.concatenate(rows), np.concatenate([piece.codes[letter][1] for piece in pieces]))
    return _Blocks(
        np.concatenate([piece.line for piece in pieces]),
        numbers,
        codes,
        lines,
        sum((piece.strange for piece in pieces), Counter()),
        sum(piece.broken for piece in pieces),
    )


class _Moves:
    """Positions and shapes of the moves, block by block, from what holds until it is changed."""

    def __init__(self, blocks: _Blocks, name: str) -> None:
        self.blocks, self.size = blocks, len(blocks.line)
        self.notes: list[str] = []
        motion = self._modal("G", MOVES, np.nan)
        self.factor = np.where(self._modal("G", (20, 21), 21) == 20, INCH_MM, 1.0)
        relative = self._modal("G", (90, 91), 90) == 91
        of_e = self._modal("M", (82, 83), np.nan)
        self.homes, self.sets, self.rests = (self._has("G", number) for number in (28, 92, 4))
        self._refuse_far(name)
        steps = {axis: self._steps(axis, relative if axis != "E" else np.where(np.isnan(of_e), relative, of_e == 83))
                 for axis in AXES}  # fmt: skip
        self.delta = np.stack([steps[axis][0] for axis in "XYZ"])
        self.place = np.stack([steps[axis][1] for axis in "XYZ"])
        self.fed = steps["E"][0]
        self.is_arc = np.isin(motion, (2, 3)) & ~self.homes & self._names_axis("XYIJR")
        self.turn_way = np.where(motion == 2, -1.0, 1.0)
        self._shape()
        moves_axes = (self.length > 0) & (~np.isnan(motion) | self.homes)
        self.laid = moves_axes & (self.fed > 0) & (np.hypot(self.delta[0], self.delta[1]) + self.arc_length > 0)
        self.feeds = ~moves_axes & (self.fed != 0) & ~np.isnan(motion)
        self.waits = np.where(self.rests, self._dwell_s(), 0.0)
        self.kept = moves_axes | self.feeds | (self.waits > 0)

    def as_path(self, name: str, sha256: str) -> MachinePath:
        kept = np.flatnonzero(self.kept)
        kind = np.select([self.waits > 0, self.laid, self.feeds], [3, 0, 2], 1).astype(np.int8)[kept]
        length = np.where(self.feeds, np.abs(self.fed), self.length)[kept]
        layer, heights = self._layers(kept)
        laid = kept[kind == MOVE_KINDS.index("laying")]
        ends = np.concatenate([self.place[:, laid], self.place[:, laid] - self.delta[:, laid]], axis=1)
        heat = self._heat(kept)
        self._note_strange()
        return MachinePath(
            name=name,
            sha256=sha256,
            kind=kind,
            length_mm=np.where(kind == 3, 0.0, length),
            speed_mm_s=self._speeds()[kept],
            radius_mm=np.where(self.is_arc, self.radius, np.inf)[kept],
            turn=self._turns(kept, kind),
            dwell_s=self.waits[kept],
            layer=layer,
            layer_z_mm=heights,
            size_mm=np.ptp(ends, axis=1),
            heat=heat,
            blocks=self.blocks.lines,
            notes=tuple(self.notes),
        )

    def _number(self, letter: str) -> np.ndarray:
        return self.blocks.numbers.get(letter, np.full(self.size, np.nan))

    def _has(self, letter: str, number: float) -> np.ndarray:
        flags = np.zeros(self.size, bool)
        rows, values = self.blocks.codes[letter]
        flags[rows[values == number]] = True
        return flags

    def _modal(self, letter: str, numbers: tuple[float, ...], at_first: float) -> np.ndarray:
        """Which of these words holds in each block: the last one so far."""
        rows, values = self.blocks.codes[letter]
        ours = np.isin(values, numbers)
        given = np.full(self.size, np.nan)
        given[rows[ours]] = values[ours]
        return _held(given, at_first)

    def _refuse_far(self, name: str) -> None:
        for letter in AXES[:3] + ARC:
            values = self._number(letter) * self.factor
            far = np.flatnonzero(np.abs(values) > GREATEST_MM)
            if len(far):
                raise PathFileError(
                    f"{name} line {self.blocks.line[far[0]] + 1}: {letter}{values[far[0]]:g} mm lies outside every machine "
                    f"(at most {GREATEST_MM:g} mm).",
                    "Check its unit (G20 inch, G21 mm), and write the path again.",
                )

    def _steps(self, axis: str, relative: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Travelled in each block, and the place after it [mm]: absolute words set it, relative ones add to it."""
        stated = self._number(axis) * self.factor
        homed = self.homes & (~np.isnan(stated) | ~self._names_axis()) if axis != "E" else np.zeros(self.size, bool)
        stated = np.where(homed, 0.0, stated)
        given = ~np.isnan(stated) & ~self.rests
        sets = given & (~relative | self.sets | homed)
        added = np.cumsum(np.where(given & ~sets, stated, 0.0))
        anchor = _held(np.where(sets, stated - added, np.nan), 0.0)
        place = anchor + added
        travelled = np.diff(place, prepend=0.0)
        return np.where(self.sets, 0.0, travelled), place

    def _names_axis(self, letters: str = "XYZ") -> np.ndarray:
        """Whether the block has any of these words."""
        named: np.ndarray = ~np.isnan(np.stack([self._number(letter) for letter in letters])).all(axis=0)
        return named

    def _shape(self) -> None:
        """Length of each move, radius of arcs, and the directions in which it starts and ends."""
        straight = np.sqrt((self.delta**2).sum(axis=0))
        self.length, self.arc_length = straight, np.zeros(self.size)
        self.radius = np.full(self.size, np.inf)
        unit = np.divide(self.delta, straight, out=np.zeros_like(self.delta), where=straight > 0)
        self.enters, self.leaves = unit, unit
        if self.is_arc.any():
            self._bend(np.flatnonzero(self.is_arc))

    def _bend(self, arcs: np.ndarray) -> None:
        dx, dy, dz = self.delta[:, arcs]
        way, factor = self.turn_way[arcs], self.factor[arcs]
        i, j, given = (
            self._number("I")[arcs] * factor,
            self._number("J")[arcs] * factor,
            self._number("R")[arcs] * factor,
        )
        by_centre = ~np.isnan(i) | ~np.isnan(j)
        chord = np.hypot(dx, dy)
        reach = np.sqrt(np.maximum(given**2 - chord**2 / 4.0, 0.0)) * np.sign(given) * way
        by_radius = ~by_centre & ~np.isnan(given) & (chord > 0)
        norm = np.maximum(chord, 1e-300)
        cx = np.where(by_centre, np.nan_to_num(i), dx / 2.0 - reach * dy / norm)
        cy = np.where(by_centre, np.nan_to_num(j), dy / 2.0 + reach * dx / norm)
        radius = np.hypot(cx, cy)
        bent = (by_centre | by_radius) & (radius > 0)
        swept = np.mod(way * (np.arctan2(dy - cy, dx - cx) - np.arctan2(-cy, -cx)), 2.0 * math.pi)
        swept = np.where(swept < 1e-9, 2.0 * math.pi, swept)  # ends where it starts: a full circle
        along = radius * swept
        length = np.hypot(along, dz)
        start = way * np.stack([cy, -cx]) / np.maximum(radius, 1e-300)
        end = way * np.stack([cy - dy, dx - cx]) / np.maximum(radius, 1e-300)
        rows = arcs[bent]
        if len(rows) < len(arcs):
            self.notes.append(f"{len(arcs) - len(rows)} arcs state neither a centre nor a radius: taken as straight.")
        self.is_arc[arcs[~bent]] = False
        self.enters, self.leaves = self.enters.copy(), self.leaves.copy()
        flat, climb = along / np.maximum(length, 1e-300), dz / np.maximum(length, 1e-300)
        for directions, tangent in ((self.enters, start), (self.leaves, end)):
            directions[:, rows] = np.stack([tangent[0] * flat, tangent[1] * flat, climb])[:, bent]
        self.length, self.arc_length = self.length.copy(), self.arc_length
        self.length[rows], self.arc_length[rows], self.radius[rows] = length[bent], along[bent], radius[bent]

    def _turns(self, kept: np.ndarray, kind: np.ndarray) -> np.ndarray:
        """sin(theta / 2) between each move and the one before; inf where it starts from rest."""
        step = self.enters[:, kept[1:]] - self.leaves[:, kept[:-1]]
        turn = np.append(np.inf, np.sqrt((step**2).sum(axis=0)) / 2.0)
        rests = kind >= MOVE_KINDS.index("material")
        homed = self.homes[kept]
        stops = rests | homed
        stops[1:] |= stops[:-1].copy()
        return np.where(stops, np.inf, turn)

    def _speeds(self) -> np.ndarray:
        stated = self._number("F")
        stated = np.where(stated > 0, stated * self.factor / 60.0, np.nan)
        speeds = _held(stated, np.nan)
        without = int((np.isnan(speeds) & self.kept & (self.waits == 0)).sum())
        if without:
            self.notes.append(f"{without} moves come before the first F: they are run at the machine's own speeds.")
        return np.where(self.homes, np.nan, speeds)

    def _dwell_s(self) -> np.ndarray:
        milliseconds, seconds = np.nan_to_num(self._number("P")), np.nan_to_num(self._number("S"))
        dwell: np.ndarray = np.clip(milliseconds / 1000.0 + seconds, 0.0, 1e7)
        return dwell

    def _layers(self, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Layer of each kept move: the height of the last laid one, before the first of the first."""
        level = np.round(self.place[2, kept] / LAYER_STEP_MM)
        laid = self.laid[kept]
        level = _held(np.where(laid, level, np.nan), np.nan)
        level = np.where(np.isnan(level), level[np.argmax(laid)], level)
        heights, layer = np.unique(level, return_inverse=True)
        return layer.astype(np.int32), heights * LAYER_STEP_MM

    def _heat(self, kept: np.ndarray) -> tuple[HeatWord, ...]:
        rows, values = self.blocks.codes["M"]
        ours = np.isin(values, list(HEATERS))
        rows, values = rows[ours], values[ours]
        if len(rows) > MOST_HEAT_WORDS:
            self.notes.append(
                f"{len(rows)} words set a temperature: those after the first {MOST_HEAT_WORDS} are passed over."
            )
        set_c = self._number("S")
        words = []
        for row, value in zip(rows[:MOST_HEAT_WORDS], values, strict=False):
            if np.isfinite(set_c[row]):
                heater, waits = HEATERS[int(value)]
                words.append(HeatWord(int(np.searchsorted(kept, row)), heater, float(set_c[row]), waits))
        return tuple(words)

    def _note_strange(self) -> None:
        """Words that were passed over, with how often they stand."""
        strange: Counter[str] = Counter(self.blocks.strange)
        ours = {("G", number) for number in (*MOVES, 4, 20, 21, 28, 90, 91, 92)} | SILENT
        ours |= {("M", number) for number in (82, 83, *HEATERS)}
        for letter, (_, values) in self.blocks.codes.items():
            for value, times in zip(*np.unique(values, return_counts=True), strict=True):
                if (letter, value) not in ours:
                    strange[f"{letter}{value:g}"] += int(times)
        if strange:
            most = sorted(strange.items(), key=lambda item: (len(item[0]) == 1, -item[1], item[0]))
            named = ", ".join(f"{word} ×{times}" for word, times in most[:8])
            more = f" and {len(most) - 8} others" if len(most) > 8 else ""
            self.notes.append(f"Passed over, as no time is known for them: {named}{more}.")
        if self.blocks.broken:
            self.notes.append(f"{self.blocks.broken} words of motion have no number behind them: passed over.")


def _held(given: np.ndarray, at_first: float) -> np.ndarray:
    """Each value until the next is given; ``at_first`` before the first."""
    last = np.maximum.accumulate(np.where(np.isnan(given), -1, np.arange(len(given))))
    return np.where(last < 0, at_first, given[last])
