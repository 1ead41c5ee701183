"""What the logs taught, as far as quotes use it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import pandas as pd

from calib.baseline.route import default_route
from calib.quoting.schedule import runs_dry_at
from calib.shop.model import Shop

LEAST_SHARE = 1e-6  # of a baseline: none at all has no logarithm
OPEN_SD = 1.1  # of the log, beside the prior's 0.5 or so: nine of ten stay below 5 times the middle; assumption
Route = Callable[[str, str, str, bool, Shop], tuple[str, ...]]


class Predictor(Protocol):
    """What of a calibrator is used here."""

    def predict(self, rows: pd.DataFrame, quantiles: tuple[float, ...] = ...) -> pd.DataFrame: ...

    def draws(self, rows: pd.DataFrame, n: int, seed: int) -> np.ndarray: ...

    def draws_each(self, frames: Sequence[pd.DataFrame], n: int, seeds: Sequence[int]) -> list[np.ndarray]: ...


class WaitDraws(Protocol):
    def draws(self, process: str, stage: str, n: int, seed: int, before: str = ...) -> np.ndarray: ...

    def parameters(self, process: str, stage: str, before: str = ...) -> tuple[float, float, float, float]: ...

    @property
    def lab_spread(self) -> float: ...


class FailureChances(Protocol):
    def chance_of(self, row: Mapping[Any, Any]) -> float: ...

    def redo(self, process: str, stage: str) -> float: ...


@dataclass(frozen=True)
class Unwritten:
    """What a stage takes that the lab never writes down: share x baseline x (baseline / middle) ^ slope.

    sd : of the log, where the gaps tell it better than what is assumed before any log
    is_open : the gaps leave open whether it is done apart from the stages beside it, or done at all
    """

    share: float
    slope: float = 0.0
    middle_min: float = 1.0
    sd: float | None = None
    is_open: bool = False

    def times(self, baseline_min: np.ndarray) -> np.ndarray:
        """Its minutes over its baseline, same shape."""
        times = np.maximum(self.share, LEAST_SHARE) * (np.maximum(baseline_min, 1e-9) / self.middle_min) ** self.slope
        return np.asarray(times)

    def spread(self, prior_sd: float) -> float:
        """Of the log of its minutes, with this one before any log."""
        known = prior_sd if self.sd is None else min(self.sd, prior_sd)
        return float(np.hypot(known, OPEN_SD)) if self.is_open else known


AS_USUAL = Unwritten(1.0)
Silent = Mapping[tuple[str, str], Unwritten]


def as_unwritten(rows: Mapping[str, np.ndarray], silent: Silent) -> dict[str, np.ndarray]:
    """baseline_min, touch_min and prior_sd of stages as their lab does them, shape (n,) each.

    rows : process, stage, baseline_min, touch_min, prior_sd
    """
    each = [silent.get(pair, AS_USUAL) for pair in zip(rows["process"], rows["stage"], strict=True)]
    times = np.array([one.times(minutes) for one, minutes in zip(each, rows["baseline_min"], strict=True)], float)
    sd = [one.spread(prior) for one, prior in zip(each, rows["prior_sd"], strict=True)]
    return {
        "baseline_min": rows["baseline_min"] * times,
        "touch_min": rows["touch_min"] * times,
        "prior_sd": np.array(sd, float),
    }


@dataclass(frozen=True, eq=False)
class Learned:
    """Without a fit the parts hold their priors; waits and failures may be absent.

    wait_times : learned waits are so many times as long in this shop [-]
    silent : (process, stage) that the lab never writes down -> what it takes
    runs_on : machines that print on, by their logs, where their first filling is used up and nobody is there
    """

    calibrator: Predictor
    waits: WaitDraws | None = None
    failures: FailureChances | None = None
    route: Route | None = None
    wait_times: float = 1.0
    silent: Silent = field(default_factory=dict)
    runs_on: frozenset[str] = frozenset()

    def dry_at(self, machine: str, fillings: float, under_way: bool = False) -> tuple[float, ...]:
        """``runs_dry_at`` of a print on a machine."""
        return () if machine in self.runs_on else runs_dry_at(fillings, under_way)

    def route_of(self, process: str, material: str, finish: str, has_supports: bool, shop: Shop) -> tuple[str, ...]:
        """Stages of a build, as the logs or else the shop's table say."""
        if self.route is not None:
            return self.route(process, material, finish, has_supports, shop)
        return default_route(process, finish, material, has_supports, shop)
