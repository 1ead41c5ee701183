"""A site's rows written into a company's store: only the months that have changed since the last time."""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
from dataclasses import dataclass
from pathlib import Path

import duckdb

from calib.documents.store import SentFiles
from calib.errors import StoreError, UsageError
from calib.results import PART, digest_of, is_shop, written_beside
from calib.store.company import (
    FORMAT,
    LOGS,
    MANIFEST,
    SITE,
    SITES,
    SentFile,
    disk_in_words,
    read_manifest,
    sent_files,
    shop_name,
    write_text,
)
from calib.store.migrate import newest_version
from calib.store.settings import find_setting, save_setting
from calib.store.tables import text

NO_MONTH = "none"
ALIAS = re.compile("site-[0-9a-f]{8}")
NAMED = "site"  # the setting that holds what the site was called last, and by what it knows its own files again
_RUN_DAY = "coalesce(started_at, ended_at, date::TIMESTAMP)"
_OF_BUILD = f"""(SELECT unnest(string_split(build_id, '+')) AS build_id, min({_RUN_DAY}) AS day FROM stage_run
    WHERE build_id IS NOT NULL GROUP BY 1)"""
# Each table as it is sent: rows, and the day that puts a row into its month (NULL: into none).
SENT = {
    "stage_run": f"SELECT * EXCLUDE (file_id, line, raw_hash, note, extra), {_RUN_DAY} AS day FROM stage_run",
    "build": f"SELECT b.* EXCLUDE (file_id, line, raw_hash, extra), d.day FROM build b LEFT JOIN {_OF_BUILD} d USING (build_id)",
    "item": f"SELECT i.* EXCLUDE (file_id, line, raw_hash, extra), d.day FROM item i LEFT JOIN {_OF_BUILD} d USING (build_id)",
    "event": 'SELECT * EXCLUDE (file_id, line, raw_hash, note, extra), "at" AS day FROM event',
    "review": "SELECT * EXCLUDE (says, verdict_note), '' AS says, NULL::TIMESTAMP AS day FROM review WHERE verdict IS NOT NULL",
    "stage_question": "SELECT *, NULL::TIMESTAMP AS day FROM stage_question WHERE answer IS NOT NULL",
    "accepted_change": "SELECT * EXCLUDE (note), NULL::TIMESTAMP AS day FROM accepted_change",
    "part": "SELECT *, NULL::TIMESTAMP AS day FROM part",
    "path_time": "SELECT *, NULL::TIMESTAMP AS day FROM path_time",
    "setting": "SELECT *, NULL::TIMESTAMP AS day FROM setting WHERE name IN ('hours', 'prior')",
}


@dataclass(frozen=True)
class Site:
    """name : in the company's store; lab : random, by which the lab knows what it has sent itself"""

    name: str
    lab: str


def site_of(con: duckdb.DuckDBPyConnection, wanted: str | None, only_alias: bool = False) -> Site:
    """By the name asked for, else that of the last export, else an alias made now; kept for the next time.

    Raises UsageError for a name that cannot be a site's.
    """
    kept = find_setting(con, NAMED)
    last = Site(*kept.split()) if kept else Site(_alias(), secrets.token_hex(8))
    if only_alias and not ALIAS.fullmatch(last.name):
        last = Site(_alias(), last.lab)
    site = Site(wanted or last.name, last.lab)
    if not SITE.fullmatch(site.name):
        raise UsageError(f'"{site.name}" cannot name a site.', "Letters, digits, - and _ are fine, 64 at most.")
    if kept != f"{site.name} {site.lab}":
        save_setting(con, NAMED, f"{site.name} {site.lab}")
    return site


def _alias() -> str:
    """A name that says nothing of the lab."""
    return f"site-{secrets.token_hex(4)}"


def check_place(company: Path, site: Site) -> None:
    """Raises UsageError where the folder is a shop, or has that name, or one like it, for another lab."""
    if is_shop(company):
        raise UsageError(f"{company} is a shop's own folder.", "Name a folder of the company's.")
    for other in (path.name for path in (company / SITES).glob("*/")):
        if other != site.name and other.casefold() == site.name.casefold():
            raise UsageError(
                f"{company} has a site {other} already, and {site.name} differs from it in case only: many disks take them for one.",
                "Say --site with a name of its own.",
            )
    if _lab_of(company, site.name) not in (None, site.lab):
        raise UsageError(
            f"Another lab is {site.name} in {company}.",
            f"Say --site with a name of its own; or remove {SITES}/{site.name}/{MANIFEST} there, if this lab takes its place.",
        )


def _lab_of(company: Path, site: str) -> str | None:
    """Whose the name is, also where its manifest is of a newer version; None where that cannot be read."""
    try:
        return str(json.loads((company / SITES / site / MANIFEST).read_bytes())["lab"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def export_site(con: duckdb.DuckDBPyConnection, company: Path, site: Site, shop_file: Path) -> SentFiles:
    """Write what has changed since the last export of ``site``; returns what was written, left and taken away.

    Raises UsageError as ``check_place`` does, StoreError where the disk does not take it.
    """
    with disk_in_words(company):
        check_place(company, site)
        return _export(con, company, site, shop_file)


def _export(con: duckdb.DuckDBPyConnection, company: Path, site: Site, shop_file: Path) -> SentFiles:
    before = _files_before(company, site)
    place = company / SITES / site.name
    files: dict[str, SentFile] = {}
    written: list[str] = []
    for table, query in SENT.items():
        for month, rows, content in _months(con, query):
            name = f"{LOGS}/{table}/site={site.name}/month={month}/{_name_of(content)}.parquet"
            if name not in before or not _is_whole(company / name, before[name]):
                _write_month(con, query, month, company / name)
                written.append(name)
            files[name] = {"rows": rows, "sha256": digest_of(company / name)} if name in written else before[name]
    shop = _copy_shop(shop_file, place)
    manifest = {
        "format": FORMAT,
        "schema": newest_version(),
        "site": site.name,
        "lab": site.lab,
        "shop": shop,
        "files": files,
    }
    write_text(place / MANIFEST, json.dumps(manifest, indent=1, sort_keys=True))
    gone = _clear(company, site.name, files, shop)
    return {"files": written, "unchanged": len(files) - len(written), "taken_away": gone}


def _months(con: duckdb.DuckDBPyConnection, query: str) -> list[tuple[str, int, str]]:
    """Month, rows and a digest of the content, which does not depend on the order of rows."""
    found = con.execute(
        f"SELECT {_MONTH}, count(*), bit_xor(digest), sum(digest) FROM "
        f"(SELECT day, hash(columns) AS digest FROM (SELECT day, COLUMNS(* EXCLUDE day) FROM ({query})) AS columns) GROUP BY 1 ORDER BY 1"
    ).fetchall()
    return [
        (month, int(rows), f"{FORMAT}.{newest_version()} {rows} {mixed} {total}") for month, rows, mixed, total in found
    ]


_MONTH = f"coalesce(strftime(day, '%Y-%m'), '{NO_MONTH}')"


def _name_of(content: str) -> str:
    return hashlib.blake2b(content.encode(), digest_size=12).hexdigest()


def _write_month(con: duckdb.DuckDBPyConnection, query: str, month: str, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(path) as beside, disk_in_words(path):
        con.execute(
            f"COPY (SELECT * EXCLUDE day FROM ({query}) WHERE {_MONTH} = {text(month)}) TO {text(str(beside))} "
            "(FORMAT parquet, COMPRESSION zstd, USE_TMP_FILE false)"
        )


def _copy_shop(shop_file: Path, place: Path) -> str:
    name = shop_name(shop_file)
    place.mkdir(parents=True, exist_ok=True)
    if not (place / name).exists() or shop_name(place / name) != name:
        with written_beside(place / name) as beside:
            shutil.copyfile(shop_file, beside)
    return name


def _files_before(company: Path, site: Site) -> dict[str, SentFile]:
    try:
        return read_manifest(company, site.name).files
    except StoreError:
        return {}


def _is_whole(path: Path, sent: SentFile) -> bool:
    return path.is_file() and digest_of(path) == sent["sha256"]


def _clear(company: Path, site: str, files: dict[str, SentFile], shop: str) -> list[str]:
    """Take away what the new manifest no longer names."""
    gone = [path for path in sent_files(company, site) if path.relative_to(company).as_posix() not in files]
    place = company / SITES / site
    left = [
        *place.glob(f".*{PART}"),
        *(company / LOGS).glob(f"*/site={site}/month=*/.*{PART}"),
    ]  # of an export that was killed
    for path in [*gone, *left, *(one for one in place.glob("shop-*.toml") if one.name != shop)]:
        path.unlink(missing_ok=True)
    return [path.relative_to(company).as_posix() for path in gone]
