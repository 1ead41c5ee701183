"""The program's door, ``python -m calib`` too: Ctrl-C while the modules load is a sentence as it is later."""

from __future__ import annotations

import os
import sys


def main() -> None:
    # our matrices are small: a second thread of their algebra wins nothing, and while it waits it takes a core's full time
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from calib.cli.app import main as program
    except KeyboardInterrupt:
        print("Interrupted; nothing was left half-done.", file=sys.stderr)
        sys.exit(130)
    program()


if __name__ == "__main__":
    main()
