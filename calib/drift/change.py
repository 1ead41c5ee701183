"""When a series changed, in which shape, by how much, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Z90 = 1.6449  # 95 % point of the normal: a 90 % range
RANGE = 0.9
REACH = 2.0  # [sd] values are drawn in to so much from the middle of their neighbours
NEIGHBOURS = 7  # runs on each side
SURE = 0.8  # chance from which on a change is called a step or a creep
TEMPER = (
    1.3,
    2.0,
)  # of a step, of a creep: errors hang together and levels wander, so likelihoods count for less (measured)
LOOSE = 2.2  # variance of a size over that of independent runs: chosen after the event, creep besides (measured there)


@dataclass(frozen=True)
class Change:
    """run, low, high : first run after the change, and its 90 % range (indices)
    size, size_low, size_high : how far the level is now from where it was [log], and its 90 % range
    shape : 'step', 'creep', or 'step or creep' where the runs do not tell
    creeps : whether the size is that of a creep, so far as it has come
    """

    run: int
    low: int
    high: int
    size: float
    size_low: float
    size_high: float
    shape: str
    creeps: bool = False

    def come(self, values: np.ndarray, scale: np.ndarray, at: np.ndarray) -> np.ndarray:
        """How much of the size each run saw, shape (n,): 1 for all of it. Over it, a mean of runs says where they stand now.

        values, scale, at : shape (n,), as in ``find_change``. By it the whole stage stands just where the size says.
        """
        if not self.creeps:
            return np.ones(len(at))
        since = np.maximum(at - at[self.run], 0.0)
        before, after = (robust_mean(values[part], scale[part])[0] for part in (slice(self.run), slice(self.run, None)))
        seen = (after - before) / self.size
        return np.asarray(since * seen / max(float(since[self.run :].mean()), 1e-9))


def find_change(values: np.ndarray, scale: np.ndarray, at: np.ndarray, fewest: int = 4) -> Change:
    """The one change that fits best: a lasting step, or a creep from some day on.

    values, scale, at : shape (n,), n >= 2 * fewest; at in days
    fewest : runs on each side
    """
    weight, kept = 1 / scale**2, near_neighbours(values, scale)
    gain = np.stack([gains(kept, weight, np.zeros(len(at))), gains(kept, weight, at - at[0])])
    creep = float(chances(gain, fewest, TEMPER[0])[1].sum())
    likelier = int(creep > 0.5)
    chance = chances(gain, fewest, TEMPER[likelier])
    shape = ("step", "creep")[likelier] if max(creep, 1 - creep) >= SURE else "step or creep"
    run = int(np.argmax(chance[likelier]))
    low, high = shortest_span(chance.sum(axis=0), run)
    if likelier:
        likely = np.flatnonzero(chance[1] > chance[1].max() / 10)
        sizes = [creep_size(kept, weight, at, i) for i in (run, likely[0], likely[-1])]
        return Change(run, low, high, sizes[0][0], min(s[1] for s in sizes), max(s[2] for s in sizes), shape, True)
    return Change(run, low, high, *change_size(values, scale, run), shape)


def near_neighbours(values: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Values winsorised to REACH sd from the median of their neighbours: forgotten timers move no date.

    values, scale : shape (n,) [log]; returns shape (n,)
    """
    wide = np.pad(values, NEIGHBOURS, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(wide, 2 * NEIGHBOURS + 1), axis=1)
    return np.asarray(np.clip(values, middle - REACH * scale, middle + REACH * scale))


def gains(values: np.ndarray, weight: np.ndarray, since: np.ndarray) -> np.ndarray:
    """Twice the log-likelihood gained by a change from run i on, shape (n,); first is 0.

    values, weight : shape (n,), weight is one over the variance
    since : zeros for a step; for a creep the time of each run: the level then moves in proportion to it
    G. W. Cobb, Biometrika 65 (1978) 243-251, used the scan for a step on the Nile.
    """
    after = suffix(weight)
    if since.any():
        first, second = suffix(weight * since), suffix(weight * since**2)
        ramp, square = first - since * after, second - 2 * since * first + since**2 * after
        product = suffix(weight * since * values) - since * suffix(weight * values)
    else:
        ramp, square, product = after, after, suffix(weight * values)
    whole = weight.sum()
    room = square - ramp**2 / whole
    explained = product - ramp * (weight @ values) / whole
    safe = room > 1e-9 * np.maximum(square, 1e-300)
    return np.where(safe, explained**2 / np.where(safe, room, 1.0), 0.0) * (np.arange(len(values)) > 0)


def suffix(values: np.ndarray) -> np.ndarray:
    """Sums of each value and all after it, shape (n,).

    >>> suffix(np.array([1.0, 2.0, 3.0])).tolist()
    [6.0, 5.0, 3.0]
    """
    return np.cumsum(values[::-1])[::-1]


def chances(gain: np.ndarray, fewest: int, temper: float) -> np.ndarray:
    """Chance of each shape and first run after the change, summing to 1; none within ``fewest`` runs of an end.

    gain : shape (shapes, n), of ``gains``; temper : gains count for so much less, > 0; returns shape (shapes, n)
    """
    inside = np.zeros(gain.shape, bool)
    inside[:, fewest : gain.shape[1] - fewest + 1] = True
    weight = np.exp((np.where(inside, gain, -np.inf) - gain[inside].max()) / 2 / temper)
    return np.asarray(weight / weight.sum())


def shortest_span(chance: np.ndarray, run: int) -> tuple[int, int]:
    """First and last run of the span of the likeliest runs that together hold 90 %; chance : shape (n,), summing to 1."""
    order = np.argsort(-chance, kind="stable")
    kept = order[: int(np.searchsorted(np.cumsum(chance[order]), RANGE)) + 1]
    return int(min(kept.min(), run)), int(max(kept.max(), run))


def creep_size(values: np.ndarray, weight: np.ndarray, at: np.ndarray, run: int) -> tuple[float, float, float]:
    """How far a creep that began at ``run`` has come by the last run, with its 90 % range [log].

    values, weight, at : shape (n,), weight is one over the variance, at in days
    """
    ramp = np.maximum(at - at[run], 0.0)
    middle = weight @ ramp / weight.sum()
    square = weight @ (ramp - middle) ** 2
    slope = weight @ ((ramp - middle) * values) / square
    half = Z90 * np.sqrt(LOOSE / square) * ramp[-1]
    return float(slope * ramp[-1]), float(slope * ramp[-1] - half), float(slope * ramp[-1] + half)


def robust_mean(values: np.ndarray, scale: np.ndarray, clip: float = 1.5) -> tuple[float, float]:
    """Huber's mean of values with known spreads, and its standard error (never below that of a plain mean).

    values, scale : shape (n,), n >= 1, in one unit; clip : from so many sd on a value pulls no more
    P. J. Huber, Annals of Mathematical Statistics 35 (1964) 73-101; 1.5 sd is common practice, no source.
    """
    weight = 1 / scale**2
    centre = float(np.median(values))
    for _ in range(20):
        off = np.abs(values - centre) / scale
        pull = weight * clip / np.maximum(off, clip)
        centre = float(pull @ values / pull.sum())
    inside = np.abs(values - centre) < clip * scale
    influence = np.clip((values - centre) / scale, -clip, clip) / scale
    sandwich = np.sqrt(influence @ influence) / max(float(weight @ inside), 1e-300)
    return centre, float(max(sandwich, 1 / np.sqrt(weight.sum()))) if inside.any() else float(np.mean(scale))


def change_size(values: np.ndarray, scale: np.ndarray, run: int) -> tuple[float, float, float]:
    """Shift of the mean at ``run`` with its 90 % range [log]; values, scale : shape (n,), runs on both sides of ``run``."""
    before, se_before = robust_mean(values[:run], scale[:run])
    after, se_after = robust_mean(values[run:], scale[run:])
    half = Z90 * np.sqrt(LOOSE) * float(np.hypot(se_before, se_after))
    return after - before, after - before - half, after - before + half
