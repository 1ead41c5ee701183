"""A fit as tables of numbers, and back, to the last bit."""

from __future__ import annotations

from dataclasses import asdict, fields

import numpy as np
import pandas as pd

from calib.calibration.design import Design, location_blocks, scale_blocks
from calib.calibration.encoder import Encoder
from calib.calibration.options import FACTORS, Options
from calib.calibration.recalibrate import LEVELS, Recalibration
from calib.calibration.second_law_tables import second_law_of, second_law_tables
from calib.calibration.state import Posterior, State
from calib.calibration.usage import Usage
from calib.errors import StoreError
from calib.records import TERMS

MIDDLES = ["middle_size", *(f"middle_term_{number}" for number in range(TERMS))]
STRETCH = [f"stretch_{100 * level:.0f}" for level in LEVELS]
NAMES = ("settings", "labels", "effects", "covariance", "variances", "cells", "stretches", "usage")


def state_tables(state: State) -> dict[str, pd.DataFrame]:
    """The state as tables, see NAMES."""
    parts = {"location": (state.design, state.location), "scale": (state.scale_design, state.scale)}
    cells = pd.DataFrame({"code": np.arange(len(state.runs)), "runs": state.runs, "step": state.step})
    stretch = pd.DataFrame(state.recalibration.cells[: len(state.runs)], columns=STRETCH)
    return {
        "settings": _settings(state),
        "labels": _labels(state.encoder),
        "effects": pd.concat([_effects(part, *found) for part, found in parts.items()], ignore_index=True),
        "covariance": pd.concat([_triangle(part, found[1]) for part, found in parts.items()], ignore_index=True),
        "variances": pd.DataFrame(
            [(part, name, v) for part, found in parts.items() for name, v in found[1].variance.items()],
            columns=["part", "block", "variance"],
        ),
        "cells": pd.concat([cells, stretch.reindex(cells.index, fill_value=1.0)], axis=1),
        "stretches": pd.DataFrame(
            np.vstack([state.recalibration.whole, state.recalibration.kinds]), columns=STRETCH
        ).assign(kind=["all", "machine", "person"]),
        "usage": pd.concat(
            [
                pd.DataFrame({"factor": name, "key": state.usage.keys[name], "weight": state.usage.weight[name]})
                for name in FACTORS
            ],
            ignore_index=True,
        ),
        **second_law_tables(state.second_law),
    }


def state_from_tables(tables: dict[str, pd.DataFrame]) -> State:
    """The state that ``state_tables`` wrote. Raises StoreError when a table, or something in one, is missing."""
    missing = [name for name in NAMES if name not in tables]
    if missing:
        raise StoreError(f"The stored fit lacks {', '.join(missing)}: it is of an older version.", "Run: calib fit")
    try:
        return _state(tables)
    except (KeyError, ValueError, IndexError, TypeError) as error:
        raise StoreError(f"The stored fit is incomplete ({str(error)[:80]}).", "Run: calib fit") from None


def _state(tables: dict[str, pd.DataFrame]) -> State:
    text, number = _read_settings(tables["settings"])
    options = _options(text, number)
    encoder = _encoder(options, tables["labels"])
    location, scale = (_design(part, options, tables["effects"]) for part in ("location", "scale"))
    cells = tables["cells"].sort_values("code")
    stretches = tables["stretches"].set_index("kind").loc[["all", "machine", "person"], STRETCH].to_numpy(float)
    return State(
        options,
        encoder,
        location,
        scale,
        _posterior("location", location, tables),
        _posterior("scale", scale, tables),
        cells["step"].to_numpy(float),
        np.array([number["step_machine"], number["step_person"]]),
        cells["runs"].to_numpy(float),
        number["build_variance"],
        number["machine_load"],
        Recalibration(stretches[0], stretches[1:], cells[STRETCH].to_numpy(float)),
        int(text["ended_ns"]),
        _usage(tables["usage"]),
        {name[5:]: value for name, value in number.items() if name.startswith("fact_")},
        second_law_of(tables),
    )


def _usage(table: pd.DataFrame) -> Usage:
    made = Usage()
    for name, part in table.groupby("factor", sort=False):
        made.keys[str(name)], made.weight[str(name)] = part["key"].to_numpy(np.int64), part["weight"].to_numpy(float)
    return made


def _settings(state: State) -> pd.DataFrame:
    numbers = {
        "step_machine": state.step_of_kind[0],
        "step_person": state.step_of_kind[1],
        "build_variance": state.build_variance,
        "machine_load": state.machine_load,
        **{f"fact_{name}": value for name, value in state.facts.items()},
    }
    options = asdict(state.options)
    options.pop("priors")  # what they say is in the effects by now
    texts = {"group": "\x1f".join(options.pop("group")), "ended_ns": str(state.ended)}
    numbers |= {f"option_{name}": float(value) for name, value in options.items()}
    rows = [(name, float(value), "") for name, value in numbers.items()]
    return pd.DataFrame(rows + [(name, 0.0, text) for name, text in texts.items()], columns=["name", "number", "text"])


def _read_settings(table: pd.DataFrame) -> tuple[dict[str, str], dict[str, float]]:
    text = {name: text for name, _, text in table.itertuples(index=False)}
    number = {name: float(number) for name, number, _ in table.itertuples(index=False)}
    return text, number


def _options(text: dict[str, str], number: dict[str, float]) -> Options:
    kinds = {"float": float, "int": int, "bool": bool}
    given = {
        field.name: kinds[str(field.type)](number[f"option_{field.name}"])
        for field in fields(Options)
        if field.name not in ("group", "priors") and f"option_{field.name}" in number
    }
    return Options(group=tuple(text["group"].split("\x1f")), **given)


def _labels(encoder: Encoder) -> pd.DataFrame:
    rows = [(name, code, label) for name, codes in encoder.codes.items() for label, code in codes.items()]
    table = pd.DataFrame(rows, columns=["column", "code", "label"])
    middle = np.array([*encoder.middle, np.full(len(MIDDLES), np.nan)])
    known = (table["column"] == "cell") & (table["code"] < len(encoder.middle))
    table[MIDDLES] = middle[np.where(known, table["code"], len(encoder.middle)).astype(int)]
    return table


def _encoder(options: Options, table: pd.DataFrame) -> Encoder:
    made = Encoder(options.group)
    for name, part in table.sort_values("code").groupby("column", sort=False):
        made.codes[str(name)] = dict(zip(part["label"], part["code"].astype(int).tolist(), strict=True))
        if name == "cell":
            learned = np.flatnonzero(part["middle_size"].notna())  # between them may be cells that only other labs know
            made.middle = list(part[MIDDLES].to_numpy(float)[: learned.max(initial=-1) + 1])
    return made


def _effects(part: str, design: Design, posterior: Posterior) -> pd.DataFrame:
    frames = [
        pd.DataFrame({"part": part, "block": name, "key": keys, "place": design.columns[name]})
        for name, keys in design.keys.items()
    ]
    table = pd.concat(frames, ignore_index=True)
    place = table["place"].to_numpy(int)
    return table.assign(mean=posterior.mean[place], centre=design.centre[place] if len(design.centre) else 0.0)


def _design(part: str, options: Options, effects: pd.DataFrame) -> Design:
    blocks = location_blocks(options) if part == "location" else scale_blocks(options)
    design = Design(blocks, options.most_effects)
    here = effects[effects["part"] == part].sort_values(["block", "key"])
    for name, rows in here.groupby("block", sort=False):
        design.keys[str(name)] = rows["key"].to_numpy(np.int64)
        design.columns[str(name)] = rows["place"].to_numpy(np.int64)
    design.size = len(here)
    by_place = here.sort_values("place")
    design.centre = by_place["centre"].to_numpy(float) if "centre" in here else np.zeros(len(here))
    return design


def _triangle(part: str, posterior: Posterior) -> pd.DataFrame:
    values = posterior.covariance[np.tril_indices(len(posterior.mean))]
    return pd.DataFrame({"part": part, "place": np.arange(len(values)), "value": values})


def _posterior(part: str, design: Design, tables: dict[str, pd.DataFrame]) -> Posterior:
    effects = tables["effects"]
    mean = effects[effects["part"] == part].sort_values("place")["mean"].to_numpy(float)
    triangle = tables["covariance"]
    values = triangle[triangle["part"] == part].sort_values("place")["value"].to_numpy(float)
    covariance = np.zeros((design.size, design.size))
    covariance[np.tril_indices(design.size)] = values
    covariance = covariance + np.tril(covariance, -1).T
    variances = tables["variances"]
    here = variances[variances["part"] == part]
    variance = dict(zip(here["block"], here["variance"].astype(float), strict=True))
    return Posterior(mean, covariance, {block.name: variance[block.name] for block in design.blocks})
