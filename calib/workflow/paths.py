"""Paths that logs and plans name: their printing minutes, reckoned once, from the shop's folder ``paths``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib.baseline.path import PARAMETERS, path_time
from calib.errors import CalibError
from calib.geometry.read_path import read_path
from calib.progress import Progress, no_progress
from calib.shop.keys import machine_defaults
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.parts import PathKey, find_path_times, save_path_times
from calib.workflow.fitted import has_store

FOLDER = "paths"


def with_paths(folder: Path, builds: pd.DataFrame, shop: Shop, progress: Progress = no_progress) -> pd.DataFrame:
    """Builds on extruders whose path is known with ``path_min``: its printing minutes on their machine [min].

    A path that cannot be read, or asks for what the machine never reaches, leaves its build as it is.
    """
    if "path_file" not in builds or not builds["path_file"].notna().any():
        return builds
    named = builds["path_file"].notna() & (builds["process"] == "MEX")
    days = builds["at"] if "at" in builds else pd.Series(None, builds.index, object)
    rows = zip(builds.loc[named, "path_file"], builds.loc[named, "machine"], days[named], strict=True)
    keys = [(str(name), _parameters(shop, str(machine), day)) for name, machine, day in rows]
    times = _times_of(folder, set(keys), progress)
    minutes = np.full(len(builds), np.nan)
    minutes[named.to_numpy()] = [times[key][1] if key in times else np.nan for key in keys]
    return builds.assign(path_min=minutes)


def _parameters(shop: Shop, machine: str, stamp: Any) -> str:
    """What of a machine, as it was at a stamp, counts for the time of a path; as a text to look up by."""
    known = shop.machines.get(machine)
    day = None if pd.isna(stamp) else pd.Timestamp(stamp).date()
    params = known.params_on(day) if known is not None and known.kind == "extruder" else machine_defaults("extruder")
    return json.dumps({name: float(params[name]) for name in PARAMETERS})


def _times_of(folder: Path, wanted: Iterable[PathKey], progress: Progress) -> Mapping[PathKey, tuple[str, float]]:
    """Times known to the store, after reckoning those of files that are new or changed."""
    known: dict[PathKey, tuple[str, float]] = {}
    if has_store(folder):
        with open_store(folder, read_only=True) as store:
            known = find_path_times(store)
    fresh = {}
    for name, parameters in sorted(wanted):
        path = folder / FOLDER / name
        if name != Path(name).name or not path.is_file():
            continue
        digest = sha256(path.read_bytes()).hexdigest()
        if known.get((name, parameters), ("", 0.0))[0] != digest:
            progress(f"Reading the path {name} ...")
            minutes = _minutes(path, json.loads(parameters))
            fresh.update({(name, parameters): (digest, minutes)} if np.isfinite(minutes) else {})
    if fresh and has_store(folder):
        with open_store(folder) as store:
            save_path_times(store, fresh)
    return {**known, **fresh}


def _minutes(path: Path, machine: Mapping[str, float]) -> float:
    try:
        return path_time(read_path(path), machine).printing_min
    except CalibError:  # a build whose path cannot be read is reckoned without it
        return np.nan
