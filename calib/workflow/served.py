"""What must be there before a page is served."""

from __future__ import annotations

from pathlib import Path

from calib.shop.read_shop import read_shop
from calib.store.open_store import open_store


def make_ready(folder: Path) -> None:
    """A shop file that is right, and a store; an empty one is made where there is none. Raises as both do."""
    read_shop(folder)
    with open_store(folder, create=True):
        pass
