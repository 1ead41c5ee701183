"""What the physics says of builds: asked for once for the same parts in the same poses on the same machines of a shop."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import asdict
from typing import Any, TypeVar, cast

import numpy as np

from calib.baseline.build import build_minutes, explain
from calib.documents.quote import Term
from calib.quoting.build_rows import build_columns
from calib.quoting.nesting import Build
from calib.quoting.options import Option
from calib.records import Baselines
from calib.shop.model import Shop

MOST_KEPT = 64  # answers for the next question about the same part; our choice
NAMED = ("process", "machine", "material", "parts")
Key = tuple[Any, ...]
T = TypeVar("T")
_KEPT: dict[Hashable, Any] = {}


def key_of(option: Option, build: Build) -> Key:
    """What lies in a build, of what, to what finish, and on which machine: all that its baselines depend on in a shop."""
    pieces = [option.pieces[piece] for piece, _ in build.contents]
    shapes = tuple((piece.shape, piece.finish, piece.difficulty) for piece in pieces)
    return build.machine, pieces[0].material, shapes, tuple(copies for _, copies in build.contents)


def baselines_of(builds: Sequence[tuple[Key, Option, Build]], shop: Shop) -> tuple[Baselines, dict[str, np.ndarray]]:
    """Baselines of builds with their terms, and the columns NAMED of each, shape (builds,)."""

    def reckon() -> tuple[Baselines, dict[str, np.ndarray]]:
        columns = _joined(build_columns(option, [build], shop.machines) for _, option, build in builds)
        return build_minutes(columns, shop, with_terms=True), {name: columns[name] for name in NAMED}

    return _once((shop, *(key for key, _, _ in builds)), reckon)


def terms_of(option: Option, shop: Shop) -> list[Term]:
    """Where the baseline minutes of the option's first build come from."""
    first = option.builds[0]

    def reckon() -> list[Term]:
        columns = build_columns(option, [first], shop.machines)
        return [cast(Term, asdict(term)) for term in explain(columns, shop)]

    return _once((shop, "terms", key_of(option, first)), reckon)


def _once(key: Hashable, reckon: Callable[[], T]) -> T:
    kept: T | None = _KEPT.pop(key, None)
    value = reckon() if kept is None else kept
    _KEPT[key] = value
    for oldest in list(_KEPT)[:-MOST_KEPT]:
        _KEPT.pop(oldest, None)
    return value


def _joined(columns: Iterable[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    listed = list(columns)
    return {name: np.concatenate([build[name] for build in listed]) for name in listed[0]}
