"""A lab and the company that it belongs to: what the lab sends, and its store on the company's side."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from calib.errors import ShopFileError, StoreError, UsageError
from calib.store.company import LOGS, SITES, read_rows, site_names, write_rows
from calib.store.company_export import export_site, site_of
from calib.store.company_load import load_site
from calib.store.open_store import STORE_NAME, open_store, refuse_gone

__all__ = ["alone_in", "load_site", "read_rows", "send_site", "site_names", "write_rows"]
SETTINGS = "company.toml"
LOCK = ".lock"


def send_site(folder: Path, company: Path, site: str | None = None) -> dict[str, Any]:
    """Write what has changed in the shop's store since the last time into the company's folder.

    site : what the site is called; else what it was called last, or an alias that says nothing of it. Where the company's
    ``company.toml`` says ``[sites] names = "alias"``, no name can be given.
    """
    refuse_gone(folder)
    if not (folder / STORE_NAME).exists():
        raise StoreError(f"There is no {STORE_NAME} in {folder}.", "calib import makes it of the logs.")
    if (only_aliases := _only_aliases(company)) and site:
        raise UsageError(f"{company / SETTINGS} wants aliases for names of sites.", "Leave out --site.")
    with open_store(folder) as store:
        own = site_of(store, site, only_aliases)
        with alone_in(company / SITES / own.name, f"Another export of {own.name} is at work"):
            sent = export_site(store, company, own, folder / "shop.toml")
    return {"company": str(company), "site": own.name, "logs": LOGS} | sent


def _only_aliases(company: Path) -> bool:
    path = company / SETTINGS
    if not path.exists():
        return False
    try:
        names = tomllib.loads(path.read_text(encoding="utf-8")).get("sites", {}).get("names", "named")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, AttributeError) as error:
        raise ShopFileError(
            f"{path} cannot be read: {error}.", 'It may hold: [sites] and names = "alias" or "named".'
        ) from None
    if names not in ("alias", "named"):
        raise ShopFileError(f'{path}: names = "{names}" is not known.', 'Write names = "alias" or "named".')
    return bool(names == "alias")


@contextmanager
def alone_in(folder: Path, busy: str) -> Iterator[None]:
    """Hold a folder's lock; the system lets go of it when the process ends, however it ends.

    Raises StoreError where another program holds it.
    """
    from filelock import FileLock, Timeout

    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = FileLock(folder / LOCK, timeout=0)
        lock.acquire()
    except Timeout:
        raise StoreError(f"{busy} in {folder}; nothing was changed.", "Let it end, then try again.") from None
    except OSError as error:
        raise StoreError(
            f"Nothing can be written into {folder}: {error.strerror}.", "Allow it; nothing was changed."
        ) from error
    try:
        yield
    finally:
        lock.release()
