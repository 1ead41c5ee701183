"""Everything that can be set about the model, with its default and why it is so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from calib.calibration.columns import number_between, whole_number, yes_or_no
from calib.calibration.priors import Priors
from calib.errors import UsageError

FACTORS = ("machine", "station", "operator", "material")
MOST_NORMAL = 1e6  # degrees of freedom: beyond, the noise is normal to the last digit
FEWEST_EFFECTS = 100  # walking levels have most of them
MOST_EFFECTS = 10_000  # their covariance takes 0.8 GB
MOST_WEEKS, MOST_SWEEPS = 10_000, 1000


@dataclass(frozen=True)
class Options:
    """Settings of a Calibrator; defaults were chosen on simulated labs of other seeds than the benchmark's.

    group : columns that make a cell, from the widest to the narrowest
    nu : degrees of freedom of the noise of a run; 5 is heavy-tailed, 1000 is normal
    step_nu : degrees of freedom of the weekly steps of a level; 2 lets a jump pass and keeps quiet weeks quiet
    window : weeks that are weighed anew each week with hindsight, before their rows are summed up for good
    sweeps : rounds of reweighting each week; every row sees sweeps * (window + 1) of them
    dynamic : levels walk
    robust : Student-t weights and a component for gross errors
    recalibrate : quantiles are corrected by recent one-step-ahead misses
    trees : where they win out of time, trees that learn what the model's law misses have a share in the quantiles
    priors : what other labs say of the effects before any run
    most_effects : parameters at most; the factors of rarer levels stay unlearned (their spread is allowed for)
    """

    group: tuple[str, ...] = ("process", "stage")
    nu: float = 5.0
    step_nu: float = 2.0
    window: int = 4
    sweeps: int = 2
    dynamic: bool = True
    robust: bool = True
    recalibrate: bool = True
    trees: bool = True
    most_effects: int = 1000
    priors: Priors | None = None

    def __post_init__(self) -> None:
        group = (self.group,) if isinstance(self.group, str) else self.group
        if not isinstance(group, Iterable) or not all(isinstance(name, str) for name in group):
            raise UsageError(f"group {group!r}: names of columns are expected, each once")
        checked = {
            "group": tuple(group),
            "nu": number_between(self.nu, "nu", 2, MOST_NORMAL),
            "step_nu": number_between(self.step_nu, "step_nu", 0, MOST_NORMAL),
            "window": whole_number(self.window, "window", 1, MOST_WEEKS),
            "sweeps": whole_number(self.sweeps, "sweeps", 1, MOST_SWEEPS),
            "dynamic": yes_or_no(self.dynamic, "dynamic"),
            "robust": yes_or_no(self.robust, "robust"),
            "recalibrate": yes_or_no(self.recalibrate, "recalibrate"),
            "trees": yes_or_no(self.trees, "trees"),
            "most_effects": whole_number(self.most_effects, "most_effects", FEWEST_EFFECTS, MOST_EFFECTS),
        }
        for name, value in checked.items():
            object.__setattr__(self, name, value)
        if not self.group:
            raise UsageError("no group columns: a cell needs at least one", "Give group=('process', 'stage').")
        if len(set(self.group)) < len(self.group):
            raise UsageError(f"group {self.group}: names of columns are expected, each once")
