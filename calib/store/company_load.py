"""A site's store on the company's side, brought to what the site sent last."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb

from calib.errors import StoreError
from calib.logs.words import library_says
from calib.results import digest_of, written_beside
from calib.store.check import ROW_CHECKS
from calib.store.company import AGAIN, ANEW, LOGS, SITES, Sent, disk_in_words, read_manifest, sent_files, shop_name
from calib.store.company_export import SENT
from calib.store.open_store import open_store
from calib.store.settings import find_setting, save_setting
from calib.store.tables import quoted
from calib.store.transaction import transaction

READ = "company manifest"  # the setting that holds the digest of the manifest that was read last
FILLED = {"file_id": "0", "line": "0", "raw_hash": "0"}  # where a row came from is the site's business


def load_site(company: Path, site: str, folder: Path) -> tuple[Sent, bool, list[str]]:
    """Bring the store in ``folder`` to what ``site`` sent last; the fits and checkpoints in it stay.

    Returns what was sent, whether it differs from what the store held, and sentences about files that were left alone.
    Raises StoreError where what was sent is not whole: nothing is changed then.
    """
    sent = read_manifest(company, site)
    try:
        return _bring_to(company, sent, folder)
    except StoreError:
        newer = read_manifest(company, site)
        if newer.digest == sent.digest:
            raise
        return _bring_to(company, newer, folder)  # an export ended meanwhile, and took away what it replaced


def _bring_to(company: Path, sent: Sent, folder: Path) -> tuple[Sent, bool, list[str]]:
    with disk_in_words(folder):
        folder.mkdir(parents=True, exist_ok=True)
    shop = folder / "shop.toml"
    strange = [
        f"Site {sent.site}: {path} is not in its manifest and was left alone." for path in _strange(company, sent)
    ]
    with open_store(folder, create=True) as con:
        if find_setting(con, READ) == sent.digest and shop.exists() and shop_name(shop) == sent.shop:
            return sent, False, strange
        _check_files(company, sent)
        with written_beside(shop) as beside, disk_in_words(shop):
            shutil.copyfile(company / SITES / sent.site / sent.shop, beside)
        try:
            with transaction(con):
                for table in SENT:
                    _fill(con, table, [company / path for path in sent.files if path.startswith(f"{LOGS}/{table}/")])
                _check_rows(con, sent.site)
                save_setting(con, READ, sent.digest)
                con.execute("DELETE FROM fit_column WHERE fit_id < (SELECT max(fit_id) FROM fit)")
                con.execute("DELETE FROM fit WHERE fit_id < (SELECT max(fit_id) FROM fit)")
        except duckdb.Error as error:
            raise _not_taken_in(con, company, sent, error) from error
    return sent, True, strange


def _not_taken_in(con: duckdb.DuckDBPyConnection, company: Path, sent: Sent, error: duckdb.Error) -> Exception:
    """A sentence for the first file that is as it was sent, and holds no rows of its table; the error itself where none is to blame."""
    if isinstance(error, duckdb.IOException | duckdb.FatalException) and ".parquet" not in str(error):
        return error
    for name in sent.files:
        try:
            with transaction(con, keep=False):
                _fill(con, name.split("/")[1], [company / name])
        except duckdb.Error as its:
            return StoreError(f"Site {sent.site}: {name} cannot be taken in: {library_says(its)}.", ANEW)
    return error


def _strange(company: Path, sent: Sent) -> list[str]:
    names = [path.relative_to(company).as_posix() for path in sent_files(company, sent.site)]
    return [name for name in names if name not in sent.files]


def _check_files(company: Path, sent: Sent) -> None:
    """Raises StoreError for the first file that is missing or differs from what the manifest says."""
    for name, sent_file in sent.files.items():
        if not (company / name).is_file():
            raise StoreError(f"Site {sent.site}: {name} is missing.", AGAIN)
        if digest_of(company / name) != sent_file["sha256"]:
            raise StoreError(
                f"Site {sent.site}: {name} is damaged or cut short: its digest is not the one that was sent.", AGAIN
            )
    shop = company / SITES / sent.site / sent.shop
    if not shop.is_file() or shop_name(shop) != sent.shop:
        raise StoreError(f"Site {sent.site}: its shop file {sent.shop} is missing or damaged.", AGAIN)


def _check_rows(con: duckdb.DuckDBPyConnection, site: str) -> None:
    """Raises StoreError for rows that no lab's import takes in, such as one that is there twice."""
    for rule, broken_by, _ in ROW_CHECKS:
        if con.execute(f"{broken_by} LIMIT 1").fetchone():
            raise StoreError(f"Site {site}: its rows break a rule: {rule}.", ANEW)


def _columns(con: duckdb.DuckDBPyConnection, table: str) -> set[str]:
    found = con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table]).fetchall()
    return {name for (name,) in found}


def _fill(con: duckdb.DuckDBPyConnection, table: str, paths: list[Path]) -> None:
    con.execute(f"DELETE FROM {table}")
    if not paths:
        return
    known = _columns(con, table)
    filled = ", ".join(f"{value} AS {quoted(name)}" for name, value in FILLED.items() if name in known)
    con.execute(
        f"INSERT INTO {table} BY NAME SELECT *{', ' + filled if filled else ''} "
        "FROM read_parquet(?, union_by_name = true, hive_partitioning = false)",
        [[str(path) for path in paths]],
    )
