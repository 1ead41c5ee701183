"""Everything that can be set about the model, with its default and why it is so."""

from __future__ import annotations

from dataclasses import dataclass

from calib.errors import UsageError

FACTORS = ("machine", "station", "operator", "material")
MOST_NORMAL = 1e6  # degrees of freedom: beyond, the noise is normal to the last digit
FEWEST_EFFECTS = 100  # walking levels have most of them


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
    most_effects: int = 1000

    def __post_init__(self) -> None:
        if isinstance(self.group, str):
            object.__setattr__(self, "group", (self.group,))
        object.__setattr__(self, "group", tuple(self.group))
        if not self.group:
            raise UsageError("no group columns: a cell needs at least one", "Give group=('process', 'stage').")
        if len(set(self.group)) < len(self.group) or not all(isinstance(name, str) for name in self.group):
            raise UsageError(f"group {self.group}: names of columns are expected, each once")
        if not 2 < self.nu <= MOST_NORMAL or not self.step_nu > 0:
            raise UsageError(
                f"nu {self.nu} and step_nu {self.step_nu}: nu must lie above 2 and up to {MOST_NORMAL}, step_nu above 0"
            )
        if self.most_effects < FEWEST_EFFECTS:
            raise UsageError(f"most_effects {self.most_effects}: at least {FEWEST_EFFECTS} are needed")
        if self.window < 1 or self.sweeps < 1:
            raise UsageError(f"window {self.window} and sweeps {self.sweeps}: both must be 1 or more")
