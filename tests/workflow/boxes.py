"""A box as a mesh file, and a shop that is quick to quote."""

from __future__ import annotations

from pathlib import Path

import numpy as np

FACES = [(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7), (0, 1, 5), (0, 5, 4), (1, 2, 6), (1, 6, 5), (2, 3, 7), (2, 7, 6),
         (3, 0, 4), (3, 4, 7)]  # fmt: skip


def write_box(path: Path, x: float, y: float, z: float) -> Path:
    """A binary STL of a box with these sides [mm]."""
    corners = np.array([(0, 0, 0), (x, 0, 0), (x, y, 0), (0, y, 0), (0, 0, z), (x, 0, z), (x, y, z), (0, y, z)], float)
    record = np.zeros(len(FACES), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("rest", "<u2")])
    record["corner"] = corners[np.array(FACES)]
    path.write_bytes(b" " * 80 + np.uint32(len(FACES)).tobytes() + record.tobytes())
    return path


def few_draws(lab: Path) -> None:
    """Quotes of this shop are made from few draws, to be quick."""
    text = (lab / "shop.toml").read_text(encoding="utf-8")
    (lab / "shop.toml").write_text(text.replace("[quoting]\n", "[quoting]\ndraws = 500\n"), encoding="utf-8")
