#!/usr/bin/env python3
"""From a fresh clone to a running calib: ``python3 start.py demo`` or ``python3 start.py test``.

Needs Python 3.11 or newer and nothing else; everything is installed into ``.venv`` beside this file.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path
from subprocess import PIPE, STDOUT

HERE = Path(__file__).resolve().parent
VENV = HERE / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
STAMP = VENV / "installed.txt"
OLDEST = (3, 11)
REQUIREMENTS = {
    "": "requirements.txt",
    "dev": "requirements-dev.txt",
}  # of each extra: versions, and hashes of their files

# What `test` runs; each line is one check and all of them run even if one fails. The first ones wait for nobody and use
# one core: they run beside the tests, and what they say comes after. The slow tests share what they need with the others.
BESIDE = (
    ("lint", ["-m", "ruff", "check", "."]),
    ("format", ["-m", "ruff", "format", "--check", "."]),
    ("types", ["-m", "mypy"]),
)
TESTS = ("tests and doctests", ["-m", "pytest", "-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"])


def system_fault() -> str:
    """Why this Python cannot make an environment, as a line to act on; empty when it can."""
    if sys.version_info < OLDEST:
        return (
            f"calib needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {sys.version.split()[0]}. "
            "Install a newer one and start with it."
        )
    if importlib.util.find_spec("ensurepip") is None or importlib.util.find_spec("venv") is None:
        return (
            "This Python lacks the modules venv and ensurepip. On Debian or Ubuntu: sudo apt-get install "
            f"python{sys.version_info[0]}.{sys.version_info[1]}-venv; then start again."
        )
    return ""


def wanted(extra: str) -> str:
    """What an installed environment was made from; another text means: install again."""
    texts = [(HERE / name).read_bytes() for name in ("pyproject.toml", REQUIREMENTS[extra])]
    return f"{hashlib.sha256(b''.join(texts)).hexdigest()} {extra}"


def environment_works() -> bool:
    try:
        return subprocess.run([PYTHON, "-m", "pip", "--version"], capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def install(extra: str) -> None:
    """Make or mend ``.venv`` and install calib into it, editable, with the pinned versions of its libraries."""
    installed = STAMP.read_text(encoding="utf-8").split("\n") if STAMP.exists() else []
    if PYTHON.exists() and (wanted(extra) in installed or wanted("dev") in installed):
        return
    if not environment_works():
        print("Making the environment .venv ...", flush=True)
        shutil.rmtree(VENV, ignore_errors=True)
        subprocess.run([sys.executable, "-m", "venv", str(VENV)], check=True)
    STAMP.unlink(missing_ok=True)
    print("Installing calib and its libraries (a few minutes the first time) ...", flush=True)
    pip = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    pip.append("--no-compile")  # most modules of the libraries are never imported; Python compiles those that are
    subprocess.run([*pip, "--require-hashes", "-r", str(HERE / REQUIREMENTS[extra])], check=True)
    # what builds calib is among them too; an editable folder has no hash
    subprocess.run([*pip, "--no-deps", "--no-build-isolation", "-e", str(HERE)], check=True)
    STAMP.write_text(wanted(extra), encoding="utf-8")


def run_demo(arguments: list[str]) -> int:
    install("")
    status = subprocess.run([BIN / "calib", "demo", *arguments], check=False).returncode
    folder = arguments[0] if arguments and not arguments[0].startswith("-") else "demo"
    print(f"\ncalib is {BIN / 'calib'}  (try: {BIN / 'calib'} --help)")
    print(f"The page for everybody in that lab: {BIN / 'calib'} serve --shop {folder}")
    return status


def run_checks(arguments: list[str]) -> int:
    install("dev")
    beside = [
        (name, command, subprocess.Popen([PYTHON, *command], cwd=HERE, stdout=PIPE, stderr=STDOUT))
        for name, command in BESIDE
    ]
    name, command = TESTS
    print(f"== {name}: python {' '.join(command)}", flush=True)
    failed = [name] if subprocess.run([PYTHON, *command, *arguments], cwd=HERE, check=False).returncode else []
    for name, command, process in beside:
        said = process.communicate()[0].decode(errors="replace")
        print(f"\n== {name}: python {' '.join(command)}\n{said}", end="", flush=True)
        if process.returncode:
            failed.append(name)
    print("\nFailed: " + ", ".join(failed) if failed else "\nAll checks passed.")
    return 1 if failed else 0


COMMANDS = {"demo": run_demo, "test": run_checks}


def main() -> int:
    if len(sys.argv) < 2 or sys.argv[1] not in COMMANDS:
        print(f"{__doc__}\n  demo [DIR]   the whole job on an invented lab\n  test         every check of the project")
        return 0 if len(sys.argv) < 2 else 2
    if fault := system_fault():
        print(fault, file=sys.stderr)
        return 2
    try:
        return COMMANDS[sys.argv[1]](sys.argv[2:])
    except subprocess.CalledProcessError as error:
        print(f"start.py stopped: {error}. Start it again: it goes on where it was.", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
