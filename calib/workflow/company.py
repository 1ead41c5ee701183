"""A lab and the company that it belongs to: what the lab sends, and its store on the company's side."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd

from calib.calibration.calibrator import Calibrator
from calib.calibration.encoder import SEPARATOR
from calib.documents.store import CompanyExport
from calib.errors import ShopFileError, StoreError, TooFewRunsError, UsageError
from calib.results import COMPANY, Result
from calib.shop.read_shop import read_shop
from calib.store.company import LOGS, SITES, read_rows, site_names, write_rows, write_text
from calib.store.company_export import check_place, export_site, site_of
from calib.store.company_load import load_site
from calib.store.fits import find_fit
from calib.store.open_store import STORE_NAME, open_store, refuse_gone
from calib.workflow.alone import LOCK, alone_in
from calib.workflow.training_rows import is_attended

__all__ = [
    "SITES",
    "company_result",
    "load_site",
    "read_rows",
    "send_site",
    "site_effects",
    "site_names",
    "write_rows",
    "write_text",
]
SETTINGS = "company.toml"


def send_site(folder: Path, company: Path, site: str | None = None) -> CompanyExport:
    """Write what has changed in the shop's store since the last time into the company's folder.

    site : what the site is called; else what it was called last, or an alias that says nothing of it. Where the company's
    ``company.toml`` says ``[sites] names = "alias"``, no name can be given.
    Raises StoreError where there is no store, UsageError for a name where the company wants aliases.
    """
    refuse_gone(folder)
    if not (folder / STORE_NAME).exists():
        raise StoreError(f"There is no {STORE_NAME} in {folder}.", "calib import makes it of the logs.")
    if (only_aliases := _only_aliases(company)) and site:
        raise UsageError(f"{company / SETTINGS} wants aliases for names of sites.", "Leave out --site.")
    with open_store(folder) as store:
        own = site_of(store, site, only_aliases)
        check_place(company, own)
        with alone_in(company / SITES / own.name, LOCK, f"Another export of {own.name} is at work"):
            sent = export_site(store, company, own, folder / "shop.toml")
    return {"company": str(company), "site": own.name, "logs": LOGS, **sent}


def company_result(out: Path, overwrite: bool) -> Result:
    """The company's page as a file that a person named."""
    return Result(out, COMPANY, overwrite)


def site_effects(folder: Path) -> pd.DataFrame:
    """What the last fit of a site says of its effects to others: see ``calibration.own_effects``; machines by their kind.

    Raises TooFewRunsError where nothing was learned yet.
    """
    shop = read_shop(folder)
    with open_store(folder, read_only=True) as store:
        found = find_fit(store)
    if found is None:
        raise TooFewRunsError("Nothing was learned yet.", "Run: calib sites fit DIR")
    effects = Calibrator.from_tables(found[0]).own_effects(lambda cell: is_attended(cell[-1]))
    kinds = {name: machine.kind for name, machine in shop.machines.items()}
    of_machines = effects["block"] == "machine"
    return pd.concat([effects[~of_machines], _by_kind(effects[of_machines], kinds)], ignore_index=True)


def _by_kind(machines: pd.DataFrame, kinds: dict[str, str]) -> pd.DataFrame:
    """Effects of machines as those of their kinds: means by precision. Machines that the shop file lacks have none."""
    sums: dict[tuple[str, str], np.ndarray] = {}
    for part, label, mean, variance in machines[["part", "labels", "mean", "variance"]].itertuples(index=False):
        name, by_hand = label.split(SEPARATOR)
        if name in kinds:
            key = part, f"{kinds[name]}{SEPARATOR}{by_hand}"
            sums[key] = sums.get(key, np.zeros(2)) + np.array([mean, 1.0]) / variance
    rows = [
        (*key[:1], "machine_kind", key[1], total / known, 1 / known, 0) for key, (total, known) in sorted(sums.items())
    ]
    return pd.DataFrame(rows, columns=list(machines.columns))


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
