"""A page as PDF: printed by a browser of this computer, where there is one."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from contextlib import suppress

from calib.errors import CalibError
from calib.scratch import scratch_folder

BROWSERS = ("chromium", "chromium-browser")  # an open one, as distributions name its command
WORDS = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync",
    "--no-pdf-header-footer",
)  # fmt: skip
MOST_S = 60.0  # our choice; a page takes a few seconds
_ONE_AT_A_TIME = threading.Lock()


def find_browser() -> str | None:
    """The command of a browser that prints without a window."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)


def printed(browser: str, html: str) -> bytes:
    """The page as PDF. Raises CalibError where the browser makes none."""
    with _ONE_AT_A_TIME, scratch_folder() as folder:
        page, out = folder / "page.html", folder / "page.pdf"
        page.write_text(html, encoding="utf-8")
        words = [browser, *WORDS, f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={out}", page.as_uri()]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            words.insert(1, "--no-sandbox")  # as root it does not start with one
        with suppress(OSError, subprocess.SubprocessError):
            subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, timeout=MOST_S, check=True)
            return out.read_bytes()
    raise CalibError("The browser of this computer made no PDF.", "Open the HTML copy and print it to a file.")
