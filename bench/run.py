"""Every benchmark with its quick settings, one after another: python bench/run.py [NAME ...]

A script bench_NAME.py that knows ``--quick`` is given it. Figures are for this machine and this hour: compare columns
of one table, never tables of two days. Nothing here passes or fails but a script that breaks.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
QUICK = {"bench_flights": ["--every", "10"]}


def quick_arguments(script: Path) -> list[str]:
    if script.stem in QUICK:
        return QUICK[script.stem]
    return ["--quick"] if '"--quick"' in script.read_text(encoding="utf-8") else []


def run(script: Path) -> bool:
    """Run one script as a module of the checkout; true where it went through."""
    arguments = quick_arguments(script)
    print(f"\n== {script.stem} {' '.join(arguments)}", flush=True)
    path = os.pathsep.join([str(HERE.parent), str(HERE)])
    environment = os.environ | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", f"bench.{script.stem}", *arguments]
    return subprocess.run(command, cwd=HERE.parent, env=environment, check=False).returncode == 0


def main(names: list[str]) -> int:
    scripts = sorted(HERE.glob("bench_*.py"))
    known = [script.stem.removeprefix("bench_") for script in scripts]
    if unknown := sorted(set(names) - set(known)):
        print(f"No benchmark {', '.join(unknown)}. There are: {', '.join(known)}.", file=sys.stderr)
        return 2
    broken = [script.stem for script in scripts if script.stem[6:] in (names or known) and not run(script)]
    print(f"\nBroke: {', '.join(broken)}" if broken else "\nAll went through.")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
