"""How far do rare quiet years go beyond the usual one? The chart's own law on normal noise, for calib/drift/limits.py.

python bench/bench_quiet_law.py [--quick]

For each pace and variance of the noise: median of the yearly largest log odds, the factor of the distance to their 90 %
point (over the median to the power 0.8), and the distances to 99 and 99.7 % over it, which are 2.54 and 3.49 for the law
that is used. The factor, averaged over the variances, is the table of the program. Below, on heavy-tailed noise with
forgotten timers: how often limits by that law are crossed, over how often they should be.
"""

from __future__ import annotations

import argparse

import numpy as np

from calib.drift import limits
from calib.drift.chart import KNOWN_LEVEL, UNKNOWN, Level

VARIANCES, RATES = (0.6, 0.8, 1.0, 1.3), (0.3, 0.1, 0.03, 0.01)
EARLIER = 0.5  # years of runs before
SHARES = (0.5, 0.9, 0.99, 0.997)


def largest(errors: np.ndarray, pace: int, level: Level, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Yearly largest log odds of independent errors, some ``runs`` runs of them all."""
    earlier = 0 if level.known else max(limits.FEWEST, min(int(EARLIER * pace), limits.MOST_BEFORE))
    parts = [
        limits.largest_odds(errors, (max(50_000 // pace, 1), pace), earlier, 1, rng, level)
        for _ in range(runs // 50_000)
    ]
    return np.concatenate(parts)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    runs = 200_000 if parser.parse_args().quick else 1_500_000
    rng = np.random.default_rng(3)
    normal, timers = rng.standard_normal(1_000_000), rng.standard_t(5, 1_000_000) / np.sqrt(5 / 3)
    timers += np.where(rng.random(len(timers)) < 0.03, rng.uniform(5, 15, len(timers)), 0.0)
    for name, level in (("level learned from the runs", UNKNOWN), ("level known", KNOWN_LEVEL)):
        print(f"{name}: pace; at each variance median, factor, distances; mean factor, and that of the program")
        for pace, used in zip(limits.RISE_PACES, limits.RISE_KNOWN_LEVEL if level.known else limits.RISE, strict=True):
            cells, factors = [], []
            for variance in VARIANCES:
                middle, *beyond = np.quantile(largest(normal * variance**0.5, pace, level, runs, rng), SHARES)
                to_90, *rest = np.array(beyond) - middle
                factors.append(to_90 / middle**0.8)
                cells.append(f"{middle:.2f} {factors[-1]:.2f} {rest[0] / to_90:.1f} {rest[1] / to_90:.1f}")
            print(f"{pace:5}  " + " | ".join(cells) + f" | {np.mean(factors):.2f}, {used:.2f}", flush=True)
    print(f"crossed over promised, {', '.join(map(str, RATES))} times a year")
    for pace in limits.RISE_PACES:
        found = largest(timers - np.median(timers), pace, UNKNOWN, runs, rng)
        middle = np.median(found)
        above = [middle + float(limits.rise(middle, pace, rate, UNKNOWN)) for rate in RATES]
        print(
            f"{pace:5}  "
            + ", ".join(f"{-np.log(np.mean(found < a)) / r:.2f}" for a, r in zip(above, RATES, strict=True))
        )


if __name__ == "__main__":
    main()
