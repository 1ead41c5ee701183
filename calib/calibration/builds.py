"""What the runs of one build share: a hard part is slow everywhere. Its variance, and what machines show of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.calibration.moments import SharedEffect
from calib.calibration.options import Options
from calib.calibration.state import BUILD_START, LOAD_START
from calib.calibration.window import Window

PAIR_WEIGHT = 200.0  # pairs of runs of one build that the starting values are worth
SHIFTED = 3.0  # residuals in sd beyond which they are clipped
SMALLEST, LARGEST = 1e-5, 0.25  # variance


@dataclass(eq=False)
class BuildEffect:
    """Its variance, a machine's load (a person's is 1), and the sums of weeks that left the window."""

    options: Options
    variance: float = BUILD_START
    machine_load: float = LOAD_START
    sums: np.ndarray = field(default_factory=lambda: np.zeros(4))

    def of(self, window: Window) -> SharedEffect:
        load = window.unit_load @ np.array([self.machine_load, 1.0])
        return SharedEffect(window.build, load, self.variance)

    def variance_of(self, build: np.ndarray) -> np.ndarray:
        """Its variance in each row; 0 for rows of no build."""
        return np.where(build >= 0, self.variance, 0.0)

    def learn(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> None:
        pairs = self.sums + self.pairs(window, clean, sigma2)
        variance = (pairs[0] + PAIR_WEIGHT * BUILD_START) / (pairs[1] + PAIR_WEIGHT)
        self.variance = float(np.clip(variance, SMALLEST, LARGEST))
        shared = pairs[2] + PAIR_WEIGHT * LOAD_START * self.variance
        self.machine_load = float(np.clip(shared / (pairs[3] + PAIR_WEIGHT) / self.variance, 0.0, 1.5))

    def pairs(self, window: Window, clean: np.ndarray, sigma2: np.ndarray) -> np.ndarray:
        """Products of residuals within builds: person's stage with person's (sum, count), with machine's likewise."""
        use = (window.build >= 0) & (clean > 0.5) & ~window.censored
        if not use.any():
            return np.zeros(4)
        build, person = window.build[use], window.attended[use] == 1
        nu = self.options.nu
        limit = SHIFTED * np.sqrt(sigma2[use] * nu / (nu - 2) + self.variance) if self.options.robust else np.inf
        left = np.clip((window.y - window.fit)[use], -limit, limit)
        count = int(build.max()) + 1
        s1, s2 = (np.bincount(build[person], left[person] ** k, count) for k in (1, 2))
        n1 = np.bincount(build[person], minlength=count)
        m1, k1 = np.bincount(build[~person], left[~person], count), np.bincount(build[~person], minlength=count)
        return np.array([np.sum(s1**2 - s2), np.sum(n1 * (n1 - 1.0)), np.sum(s1 * m1), np.sum(n1 * k1)])
