"""The chart: the odds that a stage's level has shifted, over every number of last runs, since its last change.

A Shiryaev-Roberts chart (A. N. Shiryaev, Theory of Probability and its Applications 8 (1963) 22-46; S. W. Roberts,
Technometrics 8 (1966) 411-430): the likelihood ratios of a lasting shift at each run, summed up. The size of the shift is
normal with sd USUAL_SHIFT and integrated out, and so is the level before, which the runs before tell as well as they can:
a stage with few runs joins late and asks for more. Each run counts by the score of a heavy-tailed law. In the words of
ISO 7870 (control charts): the in-control level is estimated, the out-of-control level unknown.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calib.drift.change import robust_mean

USUAL_SHIFT = 0.5  # sd of shifts that are looked for [sd of a run]; bench/bench_drift.py: 0.7 finds 2 to 4 % fewer of 0.5 sd, 0.4 as many
BEFORE = 8  # runs that a level needs before a change from it is spoken of
MOST_BEFORE = 250  # runs at most that a level is taken from: older ones are another season's
FAR, JUMP = 2.0, 4.0  # [sd], our choice
USUALLY_FAR = 0.03  # share of runs that are far off, to begin with; our choice
CHANCE = 1e-4  # of a row of far runs that is none; our choice
MEMORY = 200.0  # runs after which the centre forgets
LAGS = np.unique(np.round(4 * 1.2 ** np.arange(23)).astype(int))  # last runs looked at together: 4 to 221
WIDTHS = np.gradient(LAGS)  # numbers of runs that each of them stands for
FEWEST = BEFORE + int(LAGS[0])
NONE = 1e-12  # odds where too few runs were seen
MOST = 500.0  # largest logarithm of odds


@dataclass(frozen=True)
class Level:
    """What is known of the in-control level beforehand.

    known : how well it is known to be 0, one over the variance of what it may be: infinity where it is known; 0 where only
        the runs before tell
    creep : a shift smaller than this is the creep of every stage and counts for nothing [sd of a run]
    """

    known: float = 0.0
    creep: float = 0.1


UNKNOWN, KNOWN_LEVEL = Level(), Level(np.inf, 0.0)


@dataclass(frozen=True)
class Alarm:
    """run : index at which the chart crossed its limit; first : first run after the change; sign : +1 slower, -1 quicker"""

    run: int
    first: int
    sign: int


def winsorised(values: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Values winsorised: drawn in towards a centre that follows them slowly; looks at nothing later.

    A value counts by the score of Student's t with 6 degrees of freedom, scaled so that a small shift moves its mean one
    for one: at most 1.5 sd, which it has 2 sd off, and less beyond. A forgotten timer says less than a run that is merely
    slow. Where so many in a row are FAR off on one side that chance hardly brings them, they count in full, up to JUMP: that
    is a jump, no timer. Three are enough where 3 % are far off, six where one in six is.

    values : shape (series, n), time along the second axis; scale : of that shape, or (1, n) where all have the same

    >>> winsorised(np.array([[0.0, 1.0, 0.0, -1.0, 90.0]]), np.ones((1, 5))).round(1).tolist()
    [[0.0, 1.2, -0.1, -1.1, 0.1]]
    """
    kept = np.empty_like(values)
    centre = np.median(values[:, :BEFORE], axis=1)
    side, in_a_row, share = (np.full(len(values), start) for start in (0.0, 0.0, USUALLY_FAR))
    for i in range(values.shape[1]):
        off = (values[:, i] - centre) / scale[:, i]
        far = np.sign(off) * (np.abs(off) > FAR)
        in_a_row = np.where((far == side) & (far != 0), in_a_row + 1, np.abs(far))
        side = far
        drawn = np.where(share**in_a_row > CHANCE, 6 * off / (4 + off**2), np.clip(off, -JUMP, JUMP))
        share = np.where(in_a_row < 2, share + (np.abs(far) - share) / min(i + 20.0, MEMORY), share)
        kept[:, i] = centre + drawn * scale[:, i]
        centre = centre + (kept[:, i] - centre) / min(i + 4.0, MEMORY)
    return kept


def winsorised_each(values: Sequence[np.ndarray], scales: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Series of different lengths winsorised side by side, BEFORE runs each at least; shapes (its runs,)."""
    if not values:
        return []
    longest = max(len(own) for own in values)
    padded, ones = np.zeros((len(values), longest)), np.ones((len(values), longest))
    for row, (own, scale) in enumerate(zip(values, scales, strict=True)):
        padded[row, : len(own)], ones[row, : len(own)] = own, scale
    return [kept[: len(own)] for kept, own in zip(winsorised(padded, ones), values, strict=True)]


def _ratios(
    values: np.ndarray, scale: np.ndarray, level: Level, before: int
) -> Iterator[tuple[int, float, slice, np.ndarray, np.ndarray]]:
    """For each lag: its runs, how many lags it stands for, the runs at its end, their likelihood ratio times that, and the shift."""
    n = values.shape[1]
    precision, total = sums(1 / scale**2), sums(values / scale**2)
    start = np.maximum(np.arange(n + 1) - MOST_BEFORE, 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # nothing is known before the first run; nobody asks
        doubt = 1 / (precision - precision[:, start] + level.known)
        middle = (total - total[:, start]) * doubt
    for lag, width in zip(LAGS[LAGS + before <= n].tolist(), WIDTHS.tolist(), strict=False):
        split, end, ends = slice(before, n - lag + 1), slice(before + lag, n + 1), slice(before + lag - 1, n)
        after = precision[:, end] - precision[:, split]
        moved = (total[:, end] - total[:, split]) / after - middle[:, split]
        size = np.maximum(np.abs(moved) - level.creep * np.sqrt(lag / after), 0.0)
        sure, usual = 1 / (1 / after + doubt[:, split]), after / lag / USUAL_SHIFT**2
        ratio = width * np.exp(np.minimum((size * sure) ** 2 / (sure + usual) / 2, MOST)) / np.sqrt(1 + sure / usual)
        yield lag, width, ends, ratio, moved


def shift_odds(values: np.ndarray, scale: np.ndarray, level: Level = UNKNOWN, before: int = BEFORE) -> np.ndarray:
    """At each run the log odds that the level has shifted, up to a constant, shape (series, n); those of NONE where too few runs.

    values : shape (series, n); scale : of that shape, or (1, n) where all have the same
    before : fewest runs before the shift
    """
    odds = np.zeros(values.shape)
    for _, _, ends, ratio, _ in _ratios(values, scale, level, before):
        odds[:, ends] += ratio
    return np.log(np.maximum(odds, NONE))


def likeliest_shift(values: np.ndarray, scale: np.ndarray, level: Level, before: int) -> np.ndarray:
    """At each run the number of last runs that the likeliest shift is of, with its sign; arguments and shape as of ``shift_odds``."""
    best, runs = np.zeros(values.shape), np.zeros(values.shape, int)
    for lag, width, ends, ratio, moved in _ratios(values, scale, level, before):
        larger = ratio > best[:, ends] * width
        best[:, ends][larger] = ratio[larger] / width
        runs[:, ends][larger] = np.copysign(lag, moved[larger])
    return runs


@lru_cache(maxsize=256)
def still_odds(n: int, a_year: int, level: Level = UNKNOWN) -> np.ndarray:
    """Log odds of runs without any noise at each of n of them, shape (n,): limits are set above them.

    They grow with the number of lags there are to choose from. A level that only the runs tell is not trusted in its first
    year: then they are a year's.
    """
    a_year = int(LAGS[0]) if level.known else a_year
    length = max(n, a_year)
    still = shift_odds(np.zeros((1, length)), np.ones((1, length)), level, 0 if level.known else BEFORE)[0]
    return np.asarray(np.maximum(still[:n], still[a_year - 1]))


def sums(values: np.ndarray) -> np.ndarray:
    """Running sums along time with a leading 0, shape (series, n) -> (series, n + 1)."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def find_alarms(
    values: np.ndarray,
    scale: np.ndarray,
    limit: np.ndarray | float,
    a_year: float,
    settled: int = BEFORE,
    level: Level = UNKNOWN,
    begin: int = 0,
    known: Sequence[Alarm] = (),
    looked: int = 0,
    kept: np.ndarray | None = None,
) -> list[Alarm]:
    """Every alarm; after each the chart starts again with the runs since the change, whose level nobody knows.

    values, scale : shape (n,)
    limit : log odds above ``still_odds`` from which on it signals, of each run or of all
    a_year : runs a year
    settled : first run at which a change may be dated: before it the stage was still being learned
    level : before the first alarm
    begin : first run of the level before the first alarm
    known : alarms of earlier looks, in order: the chart goes on from the last of them
    looked : first run that no earlier look has seen: it signals at none before
    kept : shape (n,), the values ``winsorised`` from the first run on, where they are known
    """
    alarms, limit = list(known), np.broadcast_to(limit, values.shape)
    while True:
        if alarms:
            begin, looked, level = alarms[-1].first, max(looked, alarms[-1].run + 1), Level(0.0, level.creep)
        before = max(settled - begin, 0 if level.known else BEFORE)
        drawn = kept if not begin else None
        alarm = next_alarm(values, scale, limit, max(int(a_year), FEWEST), before, level, begin, looked, drawn)
        if alarm is None:
            return alarms
        alarms.append(alarm)


def next_alarm(
    values: np.ndarray,
    scale: np.ndarray,
    limit: np.ndarray,
    a_year: int,
    before: int,
    level: Level,
    begin: int,
    looked: int,
    kept: np.ndarray | None = None,
) -> Alarm | None:
    """The first alarm from run ``looked`` on of a chart that starts at run ``begin``; arguments as of ``find_alarms``."""
    part = slice(begin, None)
    if len(values) - begin < before + LAGS[0]:
        return None
    of = scale[None, part]
    drawn = winsorised(values[None, part], of) if kept is None else kept[None, part]
    odds = shift_odds(drawn, of, level, before)[0]
    over = np.flatnonzero(odds > limit[part] + still_odds(len(odds), a_year, level))
    over = over[over >= looked - begin]
    if not len(over):
        return None
    run, last = begin + int(over[0]), int(likeliest_shift(drawn, of, level, before)[0, over[0]])
    return Alarm(run, run + 1 - abs(last), int(np.sign(last)))


def goes_back(values: np.ndarray, scale: np.ndarray, alarms: list[Alarm], start: int = 0) -> bool:
    """Did the alarms come to nothing: since the last of them, is the level as far as the runs tell that before the first?

    That is how most false alarms end, and a repair: nothing is left to act on.

    values, scale : shape (n,), up to the run that one looks at
    start : first run of the level before the first alarm
    """
    if len(alarms) < 2 or alarms[0].first <= start:
        return False
    was, now = slice(max(start, alarms[0].first - MOST_BEFORE), alarms[0].first), slice(alarms[-1].first, None)
    (level, doubt), (new, unsure) = (robust_mean(values[part], scale[part]) for part in (was, now))
    return bool(abs(new - level) < 2 * np.hypot(doubt, unsure))


def news(values: np.ndarray, scale: np.ndarray, alarms: list[Alarm]) -> list[Alarm]:
    """Alarms that did not tell of a way back when they signalled; values, scale : shape (n,)."""
    known = [(alarm, slice(alarm.run + 1), alarms[: i + 1]) for i, alarm in enumerate(alarms)]
    return [alarm for alarm, past, so_far in known if not goes_back(values[past], scale[past], so_far)]
