"""One named piece of a stage's time, for many builds at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from calib.shop.keys import COMMON

Numbers = float | np.ndarray


@dataclass(frozen=True, eq=False)
class Piece:
    """Minutes of one term of a stage.

    minutes : shape (n,), or one number for all builds [min]
    formula : as text, with the names of ``inputs``
    inputs : name with unit -> shape (n,) or number
    """

    name: str
    minutes: Numbers
    formula: str
    inputs: Mapping[str, Numbers] = field(default_factory=dict)
    source: str = COMMON


def total(pieces: Iterable[Piece]) -> np.ndarray:
    """Sum of the pieces' minutes."""
    return sum((np.asarray(piece.minutes, float) for piece in pieces), np.zeros(()))
