"""A box as a mesh file, the shipped default shop, and a physics so plain that a hand can follow it."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from calib.calibration.calibrator import Calibrator
from calib.geometry.read_mesh import read_mesh
from calib.quoting import physics
from calib.quoting.request import OrderLine, QuoteRequest
from calib.records import STAGES, TERMS, Baselines
from calib.shop.read_shop import read_shop
from calib.shop.template import shop_text

FACES = [(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7), (0, 1, 5), (0, 5, 4), (1, 2, 6), (1, 6, 5), (2, 3, 7), (2, 7, 6),
         (3, 0, 4), (3, 4, 7)]  # fmt: skip


@pytest.fixture(scope="session")
def box(tmp_path_factory):
    """A box of 60 x 40 x 20 mm."""
    x, y, z = 60.0, 40.0, 20.0
    corners = np.array([(0, 0, 0), (x, 0, 0), (x, y, 0), (0, y, 0), (0, 0, z), (x, 0, z), (x, y, z), (0, y, z)])
    record = np.zeros(len(FACES), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("rest", "<u2")])
    record["corner"] = corners[np.array(FACES)]
    path = tmp_path_factory.mktemp("part") / "box.stl"
    path.write_bytes(b" " * 80 + np.uint32(len(FACES)).tobytes() + record.tobytes())
    return read_mesh(path)


@pytest.fixture(scope="session")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shop")
    (folder / "shop.toml").write_text(shop_text("Europe/Berlin"), encoding="utf-8")
    return read_shop(folder)


@pytest.fixture
def request_for():
    """QuoteRequest for a quantity of one part, from a Wednesday at 11; what is of the part goes to its line."""
    start = datetime(2026, 11, 25, 11, tzinfo=ZoneInfo("Europe/Berlin"))
    of_line = {one.name for one in fields(OrderLine)}

    def made(quantity, **more):
        line = OrderLine(quantity, **{name: value for name, value in more.items() if name in of_line})
        return QuoteRequest((line,), start, **{name: value for name, value in more.items() if name not in of_line})

    return made


class Certain(Calibrator):
    """Every stage takes its baseline."""

    def predict(self, rows, quantiles=(0.1, 0.5, 0.9)):
        found = super().predict(rows.assign(prior_sd=1e-9), quantiles)
        for level in quantiles:
            found[level] = rows["baseline_min"].to_numpy()
        return found


@pytest.fixture
def certain():
    return Certain(prior_only=True)


@pytest.fixture
def plain_physics(monkeypatch):
    """Printing 60 min and 10 for each part, everything else 6 min."""

    def build_minutes(columns, shop, with_terms):
        rows = [
            (i, stage, 60.0 + 10.0 * parts if stage == "printing" else 6.0)
            for i, (process, parts) in enumerate(zip(columns["process"], columns["parts"], strict=True))
            for stage in shop.routes[process]
        ]
        build, stage, minutes = (np.array(column, kind) for column, kind in zip(
            zip(*rows, strict=True), (int, object, float), strict=True))  # fmt: skip
        hands = {"all": 1.0, "part": 0.5, "ends": 0.5, "none": 0.0}
        touch = minutes * np.array([hands[STAGES[name].hands] for name in stage])
        n = len(rows)
        return Baselines(
            build,
            stage,
            minutes,
            touch,
            np.full(n, "volume", object),
            np.full(n, 0.3),
            np.zeros(n),
            np.zeros(n),
            np.ones((n, TERMS)),
        )

    monkeypatch.setattr(physics, "build_minutes", build_minutes)
    monkeypatch.setattr(physics, "_KEPT", {})


@pytest.fixture
def always_open(shop):
    """The shop without opening hours, with people and places enough."""
    return replace(shop, hours=None, crews={}, stations={})
