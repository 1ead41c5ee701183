"""Time of a machine's own path: every move with its acceleration, between corners; waits for heat."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.baseline.heat import warm_up_s
from calib.records import MOVE_KINDS, MachinePath

Numbers = float | np.ndarray
# What of a machine counts: the shop file's keys of an extruder.
PARAMETERS = (
    "acceleration_mm_s2", "corner_speed_mm_s", "travel_speed_mm_s", "fill_speed_mm_s", "ambient_c", "nozzle_reach_c",
    "nozzle_tau_min", "bed_reach_c", "bed_tau_min",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class PathTime:
    """How long a path takes.

    layer_s : shape (layers, kinds), moves of each layer by MOVE_KINDS, without waits for heat [s]
    first_heat_s : waits for heat before anything is laid: part of the warm-up, not of printing [s]
    later_heat_s : those after it [s]
    """

    layer_s: np.ndarray
    first_heat_s: float
    later_heat_s: float

    @property
    def printing_min(self) -> float:
        """All moves and the later waits for heat [min]."""
        return (float(self.layer_s.sum()) + self.later_heat_s) / 60.0


def path_time(path: MachinePath, machine: Mapping[str, float]) -> PathTime:
    """Seconds of each layer and kind of move on a machine.

    machine : its PARAMETERS; speeds of travel and fill are those of moves that state none
    Raises OutsideModelError where a set temperature is above what the heater reaches.
    """
    seconds = move_seconds(path, machine)
    shape = (len(path.layer_z_mm), len(MOVE_KINDS))
    cell = path.layer * shape[1] + path.kind
    layer_s = np.bincount(cell, seconds, shape[0] * shape[1]).reshape(shape)
    first, later = _heat_waits(path, seconds, machine)
    return PathTime(layer_s, first, later)


def move_seconds(path: MachinePath, machine: Mapping[str, float]) -> np.ndarray:
    """Seconds of every move and dwell, shape (n,)."""
    acceleration = machine["acceleration_mm_s2"]
    laying = path.kind == MOVE_KINDS.index("laying")
    own = np.where(laying, machine["fill_speed_mm_s"], machine["travel_speed_mm_s"])
    speed = np.where(np.isnan(path.speed_mm_s), own, path.speed_mm_s)
    speed = np.minimum(speed, np.sqrt(acceleration * path.radius_mm))
    corners = corner_speeds_mm_s(path.turn, speed, path.length_mm, acceleration, machine["corner_speed_mm_s"])
    ends = planned_speeds_mm_s(corners, path.length_mm, acceleration)
    total: np.ndarray = run_s(path.length_mm, speed, acceleration, ends[:-1], ends[1:]) + path.dwell_s
    return total


def corner_speeds_mm_s(
    turn: np.ndarray, speed_mm_s: np.ndarray, length_mm: np.ndarray, acceleration_mm_s2: float, corner_mm_s: float
) -> np.ndarray:
    r"""Greatest speed at the start of each move, and at the end of the last.

    .. math::  v_\theta = \min\left(v_1, v_2, \frac{\sqrt 2\, v_{90}}{2 \sin(\theta / 2)},
               \sqrt{\frac{a (L_1 + L_2)}{4 \sin(\theta / 2)}}\right)

    Parameters
    ----------
    turn : shape (n,), sin(theta / 2) before each move; inf where it starts from rest [-]
    speed_mm_s, length_mm : shape (n,), of the moves, > 0 [mm/s], >= 0 [mm]
    acceleration_mm_s2 : a [mm/s2]
    corner_mm_s : speed v_90 kept round a right angle [mm/s]

    Returns
    -------
    Shape (n + 1,), 0 at both ends of the path [mm/s].

    Notes
    -----
    Equal change of velocity at every corner, as for contours of a mesh (``geometry.contours``); short chords of a curve turn
    too little to be corners, and are bounded by its centripetal acceleration, R = L / theta.

    References
    ----------
    Elementary kinematics; that the change of velocity is bounded: common practice, no source.
    """
    before = np.append(speed_mm_s[:1], speed_mm_s[:-1])
    both = length_mm + np.append(length_mm[:1], length_mm[:-1])
    sine = np.maximum(turn, 1e-9)
    kept = np.minimum(np.sqrt(0.5) * corner_mm_s / sine, np.sqrt(acceleration_mm_s2 * both / (4.0 * sine)))
    kept = np.where(np.isinf(turn), 0.0, np.minimum(kept, np.minimum(speed_mm_s, before)))
    kept[:1] = 0.0
    return np.append(kept, 0.0)


def planned_speeds_mm_s(corner_mm_s: np.ndarray, length_mm: np.ndarray, acceleration_mm_s2: float) -> np.ndarray:
    r"""Speeds between moves that the acceleration allows: slowed in time for every corner ahead.

    .. math::  v_i^2 = \min_{j} \left(c_j^2 + 2 a |s_j - s_i|\right)

    Parameters
    ----------
    corner_mm_s : shape (n + 1,), greatest speeds c between the moves [mm/s]
    length_mm : shape (n,); s is their running sum [mm]
    acceleration_mm_s2 : a, equal both ways [mm/s2]

    Returns
    -------
    Shape (n + 1,) [mm/s].

    Notes
    -----
    The two passes of look-ahead, backwards and forwards, are two running minima.

    Examples
    --------
    >>> planned_speeds_mm_s(np.array([0.0, 50.0, 0.0]), np.array([1.0, 0.5]), 1000.0).round(3).tolist()
    [0.0, 31.623, 0.0]

    References
    ----------
    Elementary kinematics.
    """
    run = 2.0 * acceleration_mm_s2 * np.append(0.0, np.cumsum(length_mm))
    squares = corner_mm_s**2
    ahead = np.minimum.accumulate((squares + run)[::-1])[::-1] - run
    behind = np.minimum.accumulate(squares - run) + run
    return np.sqrt(np.maximum(np.minimum(ahead, behind), 0.0))


def run_s(
    length_mm: Numbers, speed_mm_s: Numbers, acceleration_mm_s2: Numbers, enters_mm_s: Numbers, leaves_mm_s: Numbers
) -> np.ndarray:
    r"""Time of a move that enters and leaves at two speeds.

    .. math::  t = \frac{L}{v} + \frac{(v - v_0)^2 + (v - v_1)^2}{2 a v}, \qquad
               v = \min\left(v_{set}, \sqrt{a L + (v_0^2 + v_1^2)/2}\right)

    Parameters
    ----------
    length_mm : L, >= 0 [mm]; all arguments broadcast
    speed_mm_s : set speed, > 0 [mm/s]
    acceleration_mm_s2 : a, > 0 [mm/s2]
    enters_mm_s, leaves_mm_s : v_0 and v_1, reachable from each other over L [mm/s]

    Returns
    -------
    Time [s].

    Examples
    --------
    >>> round(float(run_s(2.0, 50.0, 1000.0, 0.0, 0.0)), 10)
    0.0894427191

    References
    ----------
    Elementary kinematics; with v_0 = v_1 the same as ``motion.move_s``.
    """
    length, enters, leaves = np.asarray(length_mm, float), np.asarray(enters_mm_s), np.asarray(leaves_mm_s)
    peak = np.minimum(speed_mm_s, np.sqrt(acceleration_mm_s2 * length + (enters**2 + leaves**2) / 2.0))
    peak = np.maximum(peak, 1e-9)
    changes = (peak - enters) ** 2 + (peak - leaves) ** 2
    return np.where(length > 0, length / peak + changes / (2.0 * acceleration_mm_s2 * peak), 0.0)


class _Heater:
    """A heater on its way from one temperature to the one set; a lower one counts as reached: no machine waits for it."""

    def __init__(self, reach_c: float, tau_s: float, room_c: float) -> None:
        self.reach_c, self.tau_s = reach_c, tau_s
        self.start_c = self.set_c = room_c
        self.since_s = 0.0

    def set(self, set_c: float, now_s: float) -> float:
        """Seconds until it is reached; heating starts now."""
        self.start_c, self.since_s, self.set_c = self._temperature_c(now_s), now_s, set_c
        return float(warm_up_s(self.start_c, set_c, self.reach_c, self.tau_s))

    def _temperature_c(self, now_s: float) -> float:
        gone = np.exp(-(now_s - self.since_s) / self.tau_s)
        return float(min(self.set_c, self.reach_c - (self.reach_c - self.start_c) * gone))


def _heat_waits(path: MachinePath, seconds: np.ndarray, machine: Mapping[str, float]) -> tuple[float, float]:
    """Waits for heat before the first laid move, and after it [s]; what heats while the machine moves is not waited for."""
    heaters = {
        name: _Heater(machine[f"{name}_reach_c"], 60.0 * machine[f"{name}_tau_min"], machine["ambient_c"])
        for name in ("nozzle", "bed")
    }
    clock = np.append(0.0, np.cumsum(seconds))
    first_laid = int(np.argmax(path.kind == MOVE_KINDS.index("laying")))
    waited = [0.0, 0.0]
    for word in path.heat:
        missing_s = heaters[word.heater].set(word.set_c, clock[word.move] + sum(waited))
        waited[word.move > first_laid] += missing_s if word.waits else 0.0
    return waited[0], waited[1]
