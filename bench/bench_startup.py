"""How long calib takes to say hello, beside a bare typer program in the same environment: target at most 1.5 times.

    python -m bench.bench_startup [--quick]

Each program is started anew, in turns, so that a busy machine slows all of them; best and median wall time. With and
without byte-code caching: an environment where it is off pays for every module that is imported.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

EMPTY = str(Path(tempfile.gettempdir()) / "no-byte-code-here")  # never made: nothing is read from it
BARE = '''"""A bare program: one command, no work."""
import typer

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def one(name: str) -> None:
    """Do one thing."""


@app.command()
def two(name: str) -> None:
    """Do another."""


app()
'''


def seconds(command: list[str], cached: bool) -> float:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    if not cached:
        environment |= {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPYCACHEPREFIX": EMPTY}
    before = perf_counter()
    done = subprocess.run([sys.executable, *command], env=environment, capture_output=True, check=False)
    taken = perf_counter() - before
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {done.returncode}: {done.stderr.decode()[-500:]}")
    return taken


def measure(programs: dict[str, list[str]], times: int, cached: bool) -> dict[str, list[float]]:
    """Wall seconds of each program, ``times`` starts each, taken in turns."""
    for command in programs.values():
        seconds(command, cached)
    taken: dict[str, list[float]] = {name: [] for name in programs}
    for _ in range(times):
        for name, command in programs.items():
            taken[name].append(seconds(command, cached))
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    times = 5 if parser.parse_args().quick else 15
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare.py"
        bare.write_text(BARE, encoding="utf-8")
        programs = {
            "bare typer --help": [str(bare), "--help"],
            "calib --help": ["-m", "calib", "--help"],
            "calib quote --help": ["-m", "calib", "quote", "--help"],
        }
        print(f"{'':24}{'best s':>8}{'median s':>10}{'of bare (best)':>16}{'(median)':>10}")
        for cached in (True, False):
            print("byte code cached" if cached else "byte code not cached")
            taken = measure(programs, times, cached)
            bare_taken = taken["bare typer --help"]
            for name, values in taken.items():
                low, median = min(values), statistics.median(values)
                ratios = f"{low / min(bare_taken):>16.2f}{median / statistics.median(bare_taken):>10.2f}"
                print(f"  {name:22}{low:>8.3f}{median:>10.3f}{ratios}")


if __name__ == "__main__":
    main()
