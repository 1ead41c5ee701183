"""A baseline for each of a million builds from their volumes; from profiles; the terms of one build."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from calib.baseline.build import build_minutes, explain
from calib.geometry.layer_profile import layer_profile
from calib.shop.read_shop import shop_from_text
from calib.shop.template import shop_text

MACHINES = {"MEX": ("mex1", "pla"), "VPP": ("vpp1", "resin"), "PBF": ("pbf1", "pa12")}


def volume_builds(count: int, seed: int = 0) -> dict[str, np.ndarray]:
    """Builds of three processes with volume, height and parts."""
    rng = np.random.default_rng(seed)
    process = rng.choice(list(MACHINES), count).astype(object)
    names = np.array([MACHINES[code] for code in process], object)
    return {
        "process": process,
        "machine": names[:, 0],
        "material": names[:, 1],
        "parts": rng.integers(1, 60, count).astype(float),
        "part_volume_cm3": rng.lognormal(4.0, 1.0, count),
        "height_mm": rng.uniform(10.0, 200.0, count),
    }


def profile_builds(count: int) -> dict[str, np.ndarray]:
    """Extruded builds of one box of 1,000 layers: every build is summed layer by layer."""
    corners = np.array([[i, j, k] for k in (0, 200) for j in (0, 30) for i in (0, 40)], float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    box = np.array([corners[list(t)] for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    profile = np.empty(count, object)
    profile[:] = [layer_profile(box, 0.2)] * count
    text = {"process": "MEX", "machine": "mex1", "material": "pla"}
    return {
        **{name: np.full(count, value, object) for name, value in text.items()},
        "parts": np.arange(count) % 9 + 1.0,
        "profile": profile,
    }


def seconds(work: Callable[[], object]) -> float:
    """CPU seconds."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the builds")
    quick = parser.parse_args().quick
    shop = shop_from_text(shop_text("UTC"))
    many, some = (100_000, 200) if quick else (1_000_000, 2000)
    builds, profiled = volume_builds(many), profile_builds(some)
    one = {name: values[:1] for name, values in builds.items()}
    print(f"{many:,} builds from volumes, every stage   {seconds(lambda: build_minutes(builds, shop)):8.2f} s")
    print(f"{some:,} builds from profiles of 1,000 layers {seconds(lambda: build_minutes(profiled, shop)):8.2f} s")
    print(f"one build                                {1e3 * seconds(lambda: build_minutes(one, shop)):8.2f} ms")
    print(f"one build explained                      {1e3 * seconds(lambda: explain(one, shop)):8.2f} ms")


if __name__ == "__main__":
    main()
