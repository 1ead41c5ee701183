"""The program's door, ``python -m calib`` too: Ctrl-C while the modules load is a sentence as it is later."""

from __future__ import annotations

import sys


def main() -> None:
    try:
        from calib.cli.app import main as program
    except KeyboardInterrupt:
        print("Interrupted; nothing was left half-done.", file=sys.stderr)
        sys.exit(130)
    program()


if __name__ == "__main__":
    main()
