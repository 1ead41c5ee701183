"""What scikit-learn asks of an estimator, without loading it: parameters by name, clones, tags, unfitted or not."""

from __future__ import annotations

import sys
import warnings
from inspect import signature
from typing import Any, Self

import numpy as np
import pandas as pd

from calib.errors import NotFittedError, UsageError

OLD_NAMES = ("errors", "cells", "summary")


class Estimator:
    """Parameters are the keywords of ``__init__``, kept as given and looked at when they are used; fitted is what has ``state_``."""

    prior_only: bool | None

    @classmethod
    def _parameters(cls) -> dict[str, Any]:
        """Names of parameters, in order of the alphabet, and their defaults."""
        found = signature(cls.__init__).parameters
        return {name: found[name].default for name in sorted(found) if name != "self"}

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Parameters by name; ``deep`` changes nothing, for none of them is an estimator."""
        return {name: getattr(self, name) for name in self._parameters()}

    def set_params(self, **params: Any) -> Self:
        """Set parameters by name. Raises ValueError for a name that is none."""
        for name, value in params.items():
            if name not in self._parameters():
                raise ValueError(
                    f"Invalid parameter {name!r} for estimator {self}. Valid parameters are: {list(self._parameters())!r}."
                )
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        changed = [
            f"{name}={getattr(self, name)!r}"
            for name, default in self._parameters().items()
            if getattr(self, name) is not default and getattr(self, name) != default
        ]
        return f"{type(self).__name__}({', '.join(changed)})"

    def __getattr__(self, name: str) -> Any:
        """What was learned under the names that it had before, for one version."""
        if name in OLD_NAMES:
            warnings.warn(f"{name} is called {name}_ now", FutureWarning, stacklevel=2)
            return getattr(self, f"{name}_")
        raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")

    def __sklearn_is_fitted__(self) -> bool:
        return "state_" in vars(self)

    def __sklearn_tags__(self) -> Any:
        """A regressor on frames; only called by scikit-learn, so it is loaded."""
        from sklearn.utils import InputTags, RegressorTags, Tags, TargetTags

        inputs = InputTags(two_d_array=False, string=True, categorical=True, allow_nan=True)
        return Tags(
            estimator_type="regressor", target_tags=TargetTags(required=False, positive_only=True),
            regressor_tags=RegressorTags(), input_tags=inputs, requires_fit=not self.prior_only,
        )  # fmt: skip

    def _may_be_unfitted(self) -> None:
        """Raises NotFittedError where priors are not wanted; warns where nobody said whether they are."""
        if self.prior_only is False:
            raise _not_fitted(type(self).__name__)
        if self.prior_only is None:
            warnings.warn(
                "This Calibrator is not fitted: it answers from its priors. A later version raises NotFittedError; "
                "say Calibrator(prior_only=True) where priors are meant.",
                FutureWarning,
                stacklevel=4,
            )


def _not_fitted(name: str) -> NotFittedError:
    """Also scikit-learn's own error where that is loaded."""
    made: type[NotFittedError] = NotFittedError
    if "sklearn.exceptions" in sys.modules:
        made = type("NotFittedError", (NotFittedError, sys.modules["sklearn.exceptions"].NotFittedError), {})
    return made(f"This {name} is not fitted yet.", "Call fit first, or say prior_only=True for the priors.")


def with_minutes(runs: pd.DataFrame, y: Any) -> pd.DataFrame:
    """Runs with ``y`` as their actual_min, where there is a y: shape (n,) [min]. Raises UsageError for another length."""
    if y is None:
        return runs
    minutes = np.asarray(y).ravel()
    if not isinstance(runs, pd.DataFrame) or len(minutes) != len(runs):
        raise UsageError(
            f"y has {len(minutes)} values for {len(runs)} rows", "Give one actual time for each row, in minutes."
        )
    return runs.assign(actual_min=minutes)
