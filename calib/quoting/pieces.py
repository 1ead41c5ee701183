"""How many pieces to start so that enough are good."""

from __future__ import annotations

from math import exp, lgamma, log

from calib.errors import NoPlanError, UsageError

MOST_PIECES = 1_000_000


def pieces_to_start(good: int, yield_share: float, chance: float) -> int:
    """Least number of pieces of which at least ``good`` come out good with ``chance``; pieces fail on their own.

    yield_share : share of pieces that are good, 0 < yield_share <= 1; chance : 0 < chance < 1
    Raises NoPlanError where more than a million would be needed.

    >>> pieces_to_start(60, 0.98, 0.9)
    63
    """
    if good < 1 or not 0 < yield_share <= 1 or not 0 < chance < 1:
        raise UsageError(f"{good} good pieces at a yield of {yield_share} with a chance of {chance}: out of range.")
    if good > MOST_PIECES:
        raise UsageError(f"{good} good pieces: at most {MOST_PIECES:,} are planned at once.", "Ask for fewer.")
    low = good
    if chance_of_enough(low, good, yield_share) >= chance:
        return low
    high = 2 * low
    while chance_of_enough(high, good, yield_share) < chance:
        low, high = high, 2 * high
        if high > MOST_PIECES:
            raise NoPlanError(f"With a yield of {yield_share:.1%} no sensible number of pieces gives {good} good ones.")
    while high - low > 1:
        middle = (low + high) // 2
        enough = chance_of_enough(middle, good, yield_share) >= chance
        low, high = (low, middle) if enough else (middle, high)
    return high


def chance_of_enough(started: int, good: int, yield_share: float) -> float:
    """Chance that at least ``good`` of ``started`` are good: the upper tail of the binomial.

    >>> round(chance_of_enough(2, 1, 0.5), 9)
    0.75
    """
    if yield_share >= 1:
        return float(started >= good)
    bad_most = started - good
    if bad_most < 0:
        return 0.0
    odds = log(1 - yield_share), log(yield_share)
    ways = (lgamma(started + 1) - lgamma(k + 1) - lgamma(started - k + 1) for k in range(bad_most + 1))
    return min(1.0, sum(exp(w + k * odds[0] + (started - k) * odds[1]) for k, w in enumerate(ways)))
