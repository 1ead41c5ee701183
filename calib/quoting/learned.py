"""What the logs taught, as far as quotes use it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import pandas as pd

from calib.baseline.route import default_route
from calib.shop.model import Shop

Route = Callable[[str, str, str, bool, Shop], tuple[str, ...]]


class Predictor(Protocol):
    """What of a calibrator is used here."""

    def predict(self, rows: pd.DataFrame, quantiles: tuple[float, ...] = ...) -> pd.DataFrame: ...

    def draws(self, rows: pd.DataFrame, n: int, seed: int) -> np.ndarray: ...


class WaitDraws(Protocol):
    def draws(self, process: str, stage: str, n: int, seed: int, before: str = ...) -> np.ndarray: ...

    def parameters(self, process: str, stage: str, before: str = ...) -> tuple[float, float, float, float]: ...

    @property
    def lab_spread(self) -> float: ...


class FailureChances(Protocol):
    def chance(self, rows: pd.DataFrame) -> np.ndarray: ...

    def redo(self, process: str, stage: str) -> float: ...


@dataclass(frozen=True, eq=False)
class Learned:
    """Without a fit the parts hold their priors; waits and failures may be absent.

    wait_times : learned waits are so many times as long in this shop [-]
    silent : (process, stage) that the lab never writes down -> share of its baseline that it takes at most [0..1]
    """

    calibrator: Predictor
    waits: WaitDraws | None = None
    failures: FailureChances | None = None
    route: Route | None = None
    wait_times: float = 1.0
    silent: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def route_of(self, process: str, material: str, finish: str, has_supports: bool, shop: Shop) -> tuple[str, ...]:
        """Stages of a build, as the logs or else the shop's table say."""
        if self.route is not None:
            return self.route(process, material, finish, has_supports, shop)
        return default_route(process, finish, material, has_supports, shop)
