"""A company's store: a folder of Parquet by site and month, what each site sent last, whole or not there.

    logs/TABLE/site=S/month=YYYY-MM/DIGEST.parquet    rows, named by their content
    sites/S/manifest.json                             the files that count, with their digests; written last
    sites/S/shop-DIGEST.toml                          the site's shop file

A reader goes by the manifest: a file that it does not name, or that differs from what it says, is never read as complete.
Free text that people wrote (notes, kept columns) stays at the site; who worked is as the site's store has it, an alias as a rule.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypedDict

import duckdb

from calib.errors import StoreError, UsageError
from calib.logs.words import library_says
from calib.results import digest_of, written_beside
from calib.store.migrate import newest_version
from calib.store.tables import text

SITE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
SENT_NAME = re.compile(
    r"logs/(?P<table>[a-z_]+)/site=(?P<site>[^/]+)/month=(?P<month>\d{4}-\d{2}|none)/[0-9a-f]+\.parquet"
)
SHOP_NAME = re.compile(r"shop-[0-9a-f]{24}\.toml")
FORMAT = 1
LOGS, SITES, MANIFEST = "logs", "sites", "manifest.json"
AGAIN = "Send it again, in that lab: calib export --company DIR; its last results stay."
ANEW = (
    f"Remove its {MANIFEST}, so that it sends all anew: calib export --company DIR in that lab; its last results stay."
)


class SentFile(TypedDict):
    rows: int
    sha256: str


@dataclass(frozen=True)
class Sent:
    """What a site sent last.

    files : by path below the company's folder
    """

    site: str
    lab: str
    schema: int
    shop: str
    files: dict[str, SentFile]
    digest: str

    @property
    def rows(self) -> int:
        return sum(int(file["rows"]) for path, file in self.files.items() if path.startswith(f"{LOGS}/stage_run/"))


def site_names(company: Path) -> list[str]:
    """Every site that has sent something, in order. Raises UsageError where nothing is there."""
    found = sorted(path.parent.name for path in (company / SITES).glob(f"*/{MANIFEST}"))
    if not found:
        raise UsageError(
            f"{company} holds no site: there is no {SITES}/NAME/{MANIFEST}.",
            "Send one first, in a lab: calib export --company DIR.",
        )
    return found


def read_manifest(company: Path, site: str) -> Sent:
    """Raises StoreError where it is missing, not whole, of a newer version, or names files that are not the site's."""
    if not SITE.fullmatch(site):
        raise StoreError(
            f"{SITES}/{site!a}: that cannot name a site.",
            "Letters, digits, - and _ are fine, 64 at most. Take it away.",
        )
    try:
        raw = (company / SITES / site / MANIFEST).read_bytes()
        manifest = json.loads(raw)
        form, schema = int(manifest["format"]), int(manifest["schema"])
    except FileNotFoundError:
        raise StoreError(
            f"Site {site} has no {MANIFEST} in {SITES}/{site}: its first export did not end, or it was taken away.",
            f"{AGAIN} A site that is no more: remove work/{site} and results/*/site={site}.",
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"Site {site}: {MANIFEST} cannot be read ({type(error).__name__}).", AGAIN) from None
    if form > FORMAT or schema > newest_version():
        raise StoreError(
            f"Site {site} sends tables of version {form}.{schema}; this calib knows versions up to {FORMAT}.{newest_version()}.",
            "Use its newer calib here; its last results stay as they are.",
        )
    if wrong := _wrong_in(manifest, site):
        raise StoreError(f"Site {site}: {MANIFEST} does not hold what a site sends: {wrong}.", AGAIN)
    return Sent(site, manifest["lab"], schema, manifest["shop"], manifest["files"], hashlib.sha256(raw).hexdigest())


def _wrong_in(manifest: dict[str, Any], site: str) -> str:
    """What is not as an export writes it: such a file may be another site's, or count a month twice; '' where all is."""
    files = manifest.get("files")
    if manifest.get("site") != site:
        return f"its site is {manifest.get('site')!a}"
    if not isinstance(manifest.get("lab"), str) or not SHOP_NAME.fullmatch(str(manifest.get("shop"))):
        return f"its shop file is {manifest.get('shop')!a}"
    if not isinstance(files, dict):
        return "it lists no files"
    months = set()
    for name, file in files.items():
        parts = SENT_NAME.fullmatch(name)
        if parts is None or parts["site"] != site:
            return f"{name!a} is no file of this site"
        if not isinstance(file, dict) or type(file.get("rows")) is not int or not isinstance(file.get("sha256"), str):
            return f"{name} stands there without rows and sha256"
        if (month := (parts["table"], parts["month"])) in months:
            return f"{name} is a second file of its month"
        months.add(month)
    return ""


def shop_name(path: Path) -> str:
    """What a shop file of this content is called among what was sent."""
    return f"shop-{digest_of(path)[:24]}.toml"


def sent_files(company: Path, site: str) -> list[Path]:
    return sorted((company / LOGS).glob(f"*/site={site}/month=*/*.parquet"))


def write_rows(path: Path, frame: Any) -> None:
    """A frame as a Parquet file that is whole or not there. Raises StoreError, or UsageError, where the disk does not take it."""
    with disk_in_words(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(path) as beside, disk_in_words(path), duckdb.connect() as con:
        con.register("rows", frame)
        con.execute(f"COPY rows TO {text(str(beside))} (FORMAT parquet, COMPRESSION zstd, USE_TMP_FILE false)")


def read_rows(paths: Iterable[Path]) -> tuple[Any, list[Path]]:
    """Rows of Parquet files as one frame, in the order of the files; empty where there is none. And the files that are not whole."""
    import pandas as pd

    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        listed = list(paths)
        broken: list[Path] = []
        try:
            found = _rows(con, listed)
        except duckdb.Error:
            broken = [path for path in listed if not _reads(con, path)]
            found = _rows(con, [path for path in listed if path not in broken])
    return (pd.DataFrame() if found is None else found), broken


def _rows(con: duckdb.DuckDBPyConnection, paths: list[Path]) -> Any:
    if not paths:
        return None
    query = "SELECT * FROM read_parquet(?, union_by_name = true, hive_partitioning = false)"
    found = con.execute(query, [[str(path) for path in paths]]).df()
    return found.astype({name: object for name in found.columns if found[name].dtype == "str"})


def _reads(con: duckdb.DuckDBPyConnection, path: Path) -> bool:
    try:
        _rows(con, [path])
    except duckdb.Error:
        return False
    return True


@contextmanager
def disk_in_words(path: Path) -> Iterator[None]:
    """Raises StoreError for what the system says of the file, or where it names none, of ``path``."""
    try:
        yield
    except (duckdb.IOException, OSError) as error:
        file = getattr(error, "filename", None) or path
        raise StoreError(
            f"{file} cannot be read or written: {_why(error)}.",
            "Free some space, or allow it there, and run it again; what was there stays.",
        ) from error


def _why(error: Exception) -> str:
    """What the system says; the engine wraps it into words and numbers of its own."""
    known = (os.strerror(code) for code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EACCES, errno.EROFS))
    in_it = next((why for why in known if why in str(error)), None)
    return in_it or getattr(error, "strerror", None) or library_says(error)


def write_text(path: Path, content: str) -> None:
    """A text file that is whole or not there. Raises StoreError, or UsageError, where the disk does not take it."""
    with disk_in_words(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(path) as beside, disk_in_words(path):
        beside.write_text(content, encoding="utf-8")
