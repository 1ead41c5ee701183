"""One named term of a stage's formula, for many builds at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from calib.shop.keys import COMMON

Numbers = float | np.ndarray


@dataclass(frozen=True, eq=False)
class Term:
    """One term of one stage's baseline, so that an engineer can argue with it.

    stage : '' until the terms of several stages are listed
    minutes : shape (n,), or one number for all builds [min]
    formula : as text, e.g. 'layers x (exposure + peel + lift)'
    inputs : name with unit -> shape (n,) or number
    source : publication, 'shop file', or 'common practice, no source'
    """

    stage: str = field(default="", kw_only=True)
    name: str
    minutes: Numbers
    formula: str
    inputs: Mapping[str, Numbers] = field(default_factory=dict)
    source: str = COMMON


def total(terms: Iterable[Term]) -> np.ndarray:
    """Sum of the terms' minutes, shape (n,) or () [min]."""
    return sum((np.asarray(term.minutes, float) for term in terms), np.zeros(()))
