"""A site's store on the company's side, brought to what the site sent last."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb

from calib.errors import StoreError
from calib.results import digest_of, written_beside
from calib.store.company import LOGS, SITES, Sent, read_manifest, sent_files
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
    folder.mkdir(parents=True, exist_ok=True)
    strange = [f"Site {site}: {path} is not in its manifest and was left alone." for path in _strange(company, sent)]
    with open_store(folder, create=True) as con:
        if find_setting(con, READ) == sent.digest and (folder / "shop.toml").exists():
            return sent, False, strange
        _check_files(company, sent)
        with written_beside(folder / "shop.toml") as beside:
            shutil.copyfile(company / SITES / site / sent.shop, beside)
        with transaction(con):
            for table in SENT:
                _fill(con, table, [company / path for path in sent.files if path.startswith(f"{LOGS}/{table}/")])
            save_setting(con, READ, sent.digest)
            con.execute("DELETE FROM fit_column WHERE fit_id < (SELECT max(fit_id) FROM fit)")
            con.execute("DELETE FROM fit WHERE fit_id < (SELECT max(fit_id) FROM fit)")
    return sent, True, strange


def _strange(company: Path, sent: Sent) -> list[str]:
    names = [path.relative_to(company).as_posix() for path in sent_files(company, sent.site)]
    return [name for name in names if name not in sent.files]


def _check_files(company: Path, sent: Sent) -> None:
    """Raises StoreError for the first file that is missing or differs from what the manifest says."""
    again = "Its last results stay; send it again: calib export --company DIR"
    for name, sent_file in sent.files.items():
        if not (company / name).is_file():
            raise StoreError(f"Site {sent.site}: {name} is missing.", again)
        if digest_of(company / name) != sent_file["sha256"]:
            raise StoreError(
                f"Site {sent.site}: {name} is damaged or cut short: its digest is not the one that was sent.", again
            )
    shop = company / SITES / sent.site / sent.shop
    if not shop.is_file() or not sent.shop.startswith(f"shop-{digest_of(shop)[:24]}"):
        raise StoreError(f"Site {sent.site}: its shop file {sent.shop} is missing or damaged.", again)


def _fill(con: duckdb.DuckDBPyConnection, table: str, paths: list[Path]) -> None:
    con.execute(f"DELETE FROM {table}")
    if not paths:
        return
    known = {
        name
        for (name,) in con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table]).fetchall()
    }
    filled = ", ".join(f"{value} AS {quoted(name)}" for name, value in FILLED.items() if name in known)
    con.execute(
        f"INSERT INTO {table} BY NAME SELECT *{', ' + filled if filled else ''} "
        "FROM read_parquet(?, union_by_name = true, hive_partitioning = false)",
        [[str(path) for path in paths]],
    )
