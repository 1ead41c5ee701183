"""Reading and planning a path of a million moves, beside Python's own splitting of the same text.

    python -m bench.bench_path [--quick]

CPU seconds of one run each in a process of its own, and the most memory it held. The peer reads every word of every
line with one compiled pattern and keeps the numbers, no more: no positions, no planning. Target: a million moves in at
most 3 s and 500 MB.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import process_time

import numpy as np


def ours(path: Path) -> None:
    from calib.baseline.path import path_time
    from calib.geometry.read_path import read_path
    from calib.shop.keys import machine_defaults

    path_time(read_path(path), machine_defaults("extruder"))


def peer(path: Path) -> None:
    import re
    from array import array

    words = re.compile(rb"([A-Z])\s*([-+]?[0-9]*\.?[0-9]+)")
    numbers = array("d")
    with path.open("rb") as lines:
        for line in lines:
            numbers.extend(float(value) for _, value in words.findall(line))


PROGRAMS = {"calib": ours, "pattern by line": peer}


def write_path(path: Path, moves: int) -> None:
    """Random moves over a plate of 200 mm, a layer each 2,000."""
    rng = np.random.default_rng(1)
    x, y, e = rng.uniform(0, 200, (3, moves)).round(3)
    with path.open("w") as out:
        out.writelines(
            f"G1 X{x[i]} Y{y[i]} E{i + e[i] / 1000:.4f}\n" if i % 2000 else f"G1 Z{0.2 * (1 + i // 2000):.1f} F3000\n"
            for i in range(moves)
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a hundred thousand moves instead of a million")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        name, path = arguments.child
        before = process_time()
        PROGRAMS[name](Path(path))
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{process_time() - before:.2f} {most:.0f}")
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plate.nc"
        write_path(path, 100_000 if arguments.quick else 1_000_000)
        print(f"{path.stat().st_size / 1e6:.0f} MB of text")
        print(f"{'':18}{'CPU s':>8}{'MB':>8}")
        for name in PROGRAMS:
            command = [sys.executable, "-m", "bench.bench_path", "--child", name, str(path)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            seconds, megabytes = done.stdout.split()
            print(f"{name:18}{seconds:>8}{megabytes:>8}")


if __name__ == "__main__":
    main()
