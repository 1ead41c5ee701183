"""What the runs of one build share: a hard part is slow everywhere. Its variance, and what machines show of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.normal_equations import SharedEffect
from calib.calibration.options import Options
from calib.calibration.priors import BUILD, LOCATION
from calib.calibration.state import BUILD_START, LOAD_START
from calib.calibration.window import Window

PAIR_WEIGHT = 200.0  # pairs of runs of one build that the starting values are worth
SHIFTED = 3.0  # residuals in sd beyond which they are clipped
SMALLEST, LARGEST = 1e-5, 0.25  # variance


@dataclass(frozen=True)
class Pairs:
    """Products of residuals of two runs of one build, summed, and how many: person's stage with person's, with machine's.

    both_persons, with_machine : sums of products [-]; persons_count, machine_count : ordered pairs behind them
    """

    both_persons: float = 0.0
    persons_count: float = 0.0
    with_machine: float = 0.0
    machine_count: float = 0.0

    def __add__(self, other: Pairs) -> Pairs:
        return Pairs(
            self.both_persons + other.both_persons,
            self.persons_count + other.persons_count,
            self.with_machine + other.with_machine,
            self.machine_count + other.machine_count,
        )


@dataclass(eq=False)
class BuildEffect:
    """Its variance, a machine's load (a person's is 1), and the sums of weeks that left the window.

    start : variance before any log, as other labs have it where they say so
    """

    options: Options
    machine_load: float = LOAD_START
    sums: Pairs = Pairs()
    start: float = field(init=False)
    variance: float = field(init=False)

    def __post_init__(self) -> None:
        elsewhere = self.options.priors.spreads(LOCATION) if self.options.priors else {}
        self.start = elsewhere[BUILD][0] ** 2 if BUILD in elsewhere else BUILD_START
        self.variance = self.start

    def of(self, window: Window) -> SharedEffect:
        load = window.unit_load @ np.array([self.machine_load, 1.0])
        return SharedEffect(window.build, load, self.variance)

    def variance_of(self, build: np.ndarray) -> np.ndarray:
        """Its variance in each row; 0 for rows of no build.

        build : shape (rows,), number of its build; returns shape (rows,) [log^2].
        """
        return np.where(build >= 0, self.variance, 0.0)

    def learn(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> None:
        """Learn the variance, and how much machines show of it, from the residuals of the window.

        clean : shape (rows,), weight of each row, less where it is an outlier [-]; sigma2 : shape (rows,), variance of each row's own noise [log^2]
        """
        pairs = self.sums + self.pairs(window, clean, sigma2)
        variance = (pairs.both_persons + PAIR_WEIGHT * self.start) / (pairs.persons_count + PAIR_WEIGHT)
        self.variance = float(np.clip(variance, SMALLEST, LARGEST))
        shared = pairs.with_machine + PAIR_WEIGHT * LOAD_START * self.variance
        self.machine_load = float(np.clip(shared / (pairs.machine_count + PAIR_WEIGHT) / self.variance, 0.0, 1.5))

    def pairs(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> Pairs:
        """Products of residuals within the builds of the window.

        clean : shape (rows,), weight of each row, less where it is an outlier [-]; sigma2 : shape (rows,), variance of each row's own noise [log^2]
        """
        use = (window.build >= 0) & (clean > 0.5) & ~window.censored
        if not use.any():
            return Pairs()
        build, person = window.build[use], window.attended[use] == 1
        nu = self.options.nu
        limit = SHIFTED * np.sqrt(sigma2[use] * nu / (nu - 2) + self.variance) if self.options.robust else np.inf
        left = np.clip((window.y - window.fit)[use], -limit, limit)
        count = int(build.max()) + 1
        s1, s2 = (np.bincount(build[person], left[person] ** k, count) for k in (1, 2))
        n1 = np.bincount(build[person], minlength=count)
        m1, k1 = np.bincount(build[~person], left[~person], count), np.bincount(build[~person], minlength=count)
        products, counts = (np.sum(s1**2 - s2), np.sum(s1 * m1)), (np.sum(n1 * (n1 - 1.0)), np.sum(n1 * k1))
        return Pairs(float(products[0]), float(counts[0]), float(products[1]), float(counts[1]))
