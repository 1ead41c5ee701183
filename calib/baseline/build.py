"""Builds -> baseline minutes of every stage that each could have."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from calib.baseline import mex, pbf, vpp
from calib.baseline.bench import bench_terms, load_count
from calib.baseline.columns import BASIS_SD, Builds, read_builds
from calib.errors import OutsideModelError
from calib.records import PROCESSES, ROUTES, STAGES, Baselines, Term
from calib.shop.keys import FLOOR_OF_STAGE, rate_defaults
from calib.shop.model import Shop

PHYSICS: dict[str, dict[str, Callable[[Builds], dict[str, np.ndarray]]]] = {
    "MEX": {"warm_up": mex.warm_up_terms, "printing": mex.printing_terms, "cool_down": mex.cool_down_terms},
    "VPP": {"warm_up": vpp.warm_up_terms, "printing": vpp.printing_terms},
    "PBF": {"warm_up": pbf.warm_up_terms, "printing": pbf.printing_terms, "cool_down": pbf.cool_down_terms},
}
BENCH_SD = 0.45  # how far a good estimator is usually off for bench work: an assumption
PHYSICS_SD = {"warm_up": 0.3, "cool_down": 0.35}  # assumptions


def build_minutes(columns: Mapping[str, np.ndarray], shop: Shop) -> Baselines:
    """Minutes of each stage of each build; see records.Baselines.

    columns : the contract's ``builds`` columns as arrays of one length, what is missing is not known; ``profile`` holds
        a LayerProfile or None for each build
    Raises OutsideModelError for a process that the columns name and calib does not know.
    """
    process = np.asarray(columns["process"], object)
    strange = set(process) - set(PROCESSES)
    if strange:
        raise OutsideModelError(
            f"process {sorted(map(str, strange))[0]!r} is not known: {', '.join(PROCESSES)} expected"
        )
    blocks = []
    for code in PROCESSES:
        rows = np.flatnonzero(process == code)
        if len(rows):
            b = read_builds(columns, shop, code, rows)
            blocks += [_stage_block(b, rows, stage, shop) for stage in _stages(code, shop)]
    if not blocks:
        return Baselines(*(np.zeros(0) for _ in range(7)))
    joined = [np.concatenate(parts) for parts in zip(*blocks, strict=True)]
    order = np.argsort(joined[0], kind="stable")
    return Baselines(*(values[order] for values in joined))


def explain(columns: Mapping[str, np.ndarray], shop: Shop) -> list[Term]:
    """The terms behind every minute of one build; they add up to ``build_minutes``."""
    code = str(np.asarray(columns["process"], object)[0])
    b = read_builds(columns, shop, code, np.array([0]))
    terms = []
    for stage in _stages(code, shop):
        named, _ = stage_terms(b, stage, shop)
        source = (
            "physics of the machine's parameters" if stage in PHYSICS[code] else "rates: common practice, no source"
        )
        terms += [
            Term(stage, name, float(minutes[0]), name, {}, source) for name, minutes in named.items() if minutes[0]
        ]
    return terms


def stage_terms(b: Builds, stage: str, shop: Shop) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Minutes of each term of a stage, and minutes with hands on; announced ones where they are the best basis."""
    if stage in PHYSICS[b.process]:
        terms = {name: seconds / 60 + 0 * b.parts for name, seconds in PHYSICS[b.process][stage](b).items()}
        if stage == "printing":
            told = b.basis == "announced"
            terms = {name: np.where(told, 0.0, minutes) for name, minutes in terms.items()}
            terms["announced by the machine"] = np.where(told, b.announced_min, 0.0)
        return terms, 0 * b.parts
    if stage == "material_drying":
        rate = shop.rates.get(stage, rate_defaults(stage))
        drying = np.maximum(b.material.get("drying_min", 0 * b.parts), 1e-9)
        hands = rate.get("hands_min", 0.0) + 0 * b.parts
        return {"recipe": drying, "hands for loads": hands}, hands
    return bench_terms(b, stage, shop.rates.get(stage) or rate_defaults(stage))


def _stages(process: str, shop: Shop) -> list[str]:
    own = [stage for stage, kind in STAGES.items() if process in kind.processes]
    return list(dict.fromkeys([*ROUTES[process], *shop.routes.get(process, ()), *own]))


def _stage_block(b: Builds, rows: np.ndarray, stage: str, shop: Shop) -> tuple[np.ndarray, ...]:
    terms, touch = stage_terms(b, stage, shop)
    floor = _floors(b, stage)
    minutes = np.maximum(np.maximum(sum(terms.values()), 0.05), np.nan_to_num(floor))
    sd = np.array([BASIS_SD[basis] for basis in b.basis]) if stage == "printing" else PHYSICS_SD.get(stage, BENCH_SD)
    count = len(rows)
    return (
        rows, np.full(count, stage, object), minutes, np.minimum(touch, minutes), b.basis.astype(object),
        np.full(count, 1.0) * sd, floor,
    )  # fmt: skip


def _floors(b: Builds, stage: str) -> np.ndarray:
    """Minutes that nothing may undercut: each load's floor; 0 where a stage has none, NaN where it is unknown."""
    key = FLOOR_OF_STAGE.get(stage)
    if key is None or (stage == "drying" and b.process == "MEX"):
        return np.zeros(len(b.parts))
    each = np.array([np.nan if floors.get(key) is None else floors[key] for floors in b.floors], float)
    return each * (load_count(b, rate_defaults(stage)) if stage != "cool_down" else 1.0)
