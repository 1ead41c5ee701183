"""A company's store: a folder of Parquet by site and month, what each site sent last, whole or not there.

    logs/TABLE/site=S/month=YYYY-MM/DIGEST.parquet    rows, named by their content
    sites/S/manifest.json                             the files that count, with their digests; written last
    sites/S/shop-DIGEST.toml                          the site's shop file

A reader goes by the manifest: a file that it does not name, or that differs from what it says, is never read as complete.
Free text that people wrote (notes, kept columns) stays at the site; who worked is as the site's store has it, an alias as a rule.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypedDict

import duckdb

from calib.errors import StoreError, UsageError
from calib.results import written_beside
from calib.store.migrate import newest_version
from calib.store.tables import text

SITE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
FORMAT = 1
LOGS, SITES, MANIFEST = "logs", "sites", "manifest.json"


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
    """Raises StoreError where it is not whole, or of a newer version."""
    path = company / SITES / site / MANIFEST
    try:
        raw = path.read_bytes()
        manifest = json.loads(raw)
        sent = Sent(
            manifest["site"],
            manifest["lab"],
            int(manifest["schema"]),
            manifest["shop"],
            manifest["files"],
            hashlib.sha256(raw).hexdigest(),
        )
        form = int(manifest["format"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"Site {site}: {MANIFEST} cannot be read ({type(error).__name__}).",
            "Send it again: calib export --company DIR",
        ) from None
    if form > FORMAT or sent.schema > newest_version():
        raise StoreError(
            f"Site {site} sends tables of version {form}.{sent.schema}; this calib knows versions up to {FORMAT}.{newest_version()}.",
            "Use its newer calib here; its last results stay as they are.",
        )
    return sent


def sent_files(company: Path, site: str) -> list[Path]:
    return sorted((company / LOGS).glob(f"*/site={site}/month=*/*.parquet"))


def write_rows(path: Path, frame: Any) -> None:
    """A frame as a Parquet file that is whole or not there. Raises UsageError where the disk does not take it."""
    with disk_in_words(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(path) as beside, disk_in_words(path), duckdb.connect() as con:
        con.register("rows", frame)
        con.execute(f"COPY rows TO {text(str(beside))} (FORMAT parquet, COMPRESSION zstd, USE_TMP_FILE false)")


def read_rows(paths: Iterable[Path]) -> Any:
    """Rows of Parquet files as one frame, in the order of the files; empty where there is none."""
    import pandas as pd

    listed = [str(path) for path in paths]
    if not listed:
        return pd.DataFrame()
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        found = con.execute(
            "SELECT * FROM read_parquet(?, union_by_name = true, hive_partitioning = false)", [listed]
        ).df()
    return found.astype({name: object for name in found.columns if found[name].dtype == "str"})


@contextmanager
def disk_in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except (duckdb.IOException, OSError) as error:
        raise StoreError(
            f"{path} cannot be written: {getattr(error, 'strerror', None) or str(error).splitlines()[0]}.",
            "Free some space and run it again; what was there stays.",
        ) from error


def write_text(path: Path, content: str) -> None:
    """A text file that is whole or not there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(path) as beside, disk_in_words(path):
        beside.write_text(content, encoding="utf-8")
