"""Builds -> baseline minutes of every stage that each could have, and the terms behind them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from calib.baseline import mex, pbf, vpp
from calib.baseline.bench import HANDS, bench_terms, load_count, load_terms, stage_rate
from calib.baseline.build_inputs import Builds, machine_kinds, read_builds
from calib.baseline.prior import prior_sd
from calib.baseline.term import Term, total
from calib.errors import OutsideModelError
from calib.records import PROCESSES, STAGES, TERMS, Baselines
from calib.shop.keys import FLOOR_OF_STAGE, KINDS
from calib.shop.model import Shop

LEAST_MIN = 0.1  # nothing takes no time: a ratio to it must have a logarithm
REFILL = "refill"
Physics = Callable[[Builds], list[Term]]
PHYSICS: dict[str, dict[str, Physics]] = {
    "MEX": {"warm_up": mex.warm_up_terms, "printing": mex.printing_terms, "cool_down": mex.cool_down_terms},
    "VPP": {"warm_up": vpp.warm_up_terms, "printing": vpp.printing_terms},
    "PBF": {"warm_up": pbf.warm_up_terms, "printing": pbf.printing_terms, "cool_down": pbf.cool_down_terms},
}


def build_minutes(columns: Mapping[str, np.ndarray], shop: Shop, with_terms: bool = False) -> Baselines:
    """Minutes of each stage that each build could have; see records.Baselines.

    columns : the ``builds`` columns (docs/interface.md) as arrays of shape (n,); a missing column, NaN, None and '' mean 'not
        known'. Besides: ``profile`` (LayerProfile of one part in its pose, or None), ``plate_height_mm``, HOLLOWS,
        ``last_material`` (on the machine before), ``path_min`` (printing minutes of the machine's path), ``at`` (day or stamp, for machines that changed)
    with_terms : also the shares of the formulas' terms
    Rows are sorted by build. Stages of an order are those of the build as if it were its own order.
    Raises OutsideModelError for a process that is not known, or a temperature that is never reached.
    """
    kinds = _kinds(columns, shop)
    blocks = []
    for kind in dict.fromkeys(kinds):
        rows = np.flatnonzero(kinds == kind)
        blocks.append((rows, _block(read_builds(columns, shop, kind, rows), shop, with_terms)))
    return _joined(blocks, len(kinds), TERMS if with_terms else 0)


def explain(columns: Mapping[str, np.ndarray], shop: Shop) -> list[Term]:
    """The terms behind every minute of one build (columns of shape (1,)) [min]; they add up to ``build_minutes``.

    Raises OutsideModelError as ``build_minutes`` does.
    """
    kind = _kinds(columns, shop)[0]
    b = read_builds(columns, shop, kind, np.array([0]))
    listed = []
    for stage in stages_of(b.process, shop):
        terms, _ = stage_terms(b, stage, shop)
        listed += [
            replace(term, stage=stage, minutes=_number(term.minutes), inputs=_numbers(term.inputs))
            for term in [*terms, _raised(b, stage, terms, shop)]
            if abs(_number(term.minutes)) > 1e-12
        ]
    return listed


def stages_of(process: str, shop: Shop) -> tuple[str, ...]:
    """Stages that docs/interface.md gives a process, optional ones too, and those of the shop's own route."""
    own = [stage for stage, known in STAGES.items() if process in known.processes]
    return tuple(dict.fromkeys([*own, *shop.routes.get(process, ())]))


def stage_terms(b: Builds, stage: str, shop: Shop) -> tuple[list[Term], np.ndarray]:
    """Terms of a stage, and the minutes of it with hands on, shape (n,) [min]."""
    if stage in PHYSICS[b.process]:
        terms = PHYSICS[b.process][stage](b)
        return (_stated(b, terms) if stage == "printing" else terms), np.zeros(len(b))
    rate = stage_rate(stage, shop)
    terms = bench_terms(b, stage, rate) if _has_bench(rate) else []
    touch = total(terms) * (1.0 - rate.get("automatic_share", 0.0)) + np.zeros(len(b))
    if "recipe_min" in rate or "hands_min" in rate:
        loads = load_terms(b, stage, rate)
        terms = [*terms, *loads]
        hands = total([term for term in loads if term.name == HANDS])
        touch = touch + hands * (1.0 - rate.get("automatic_share", 0.0))
    if stage == "machine_setup":
        machines = _setup_terms(b)
        terms, touch = [*terms, *machines], touch + total(machines)
    return terms, touch


def _setup_terms(b: Builds) -> list[Term]:
    """What the machine itself needs before a build; powder is filled in its own stage."""
    m = b.machine
    change = {"changes": b.changes, "change_min": m["change_min"]}
    terms = [
        Term("change of material", b.changes * m["change_min"], "changes x change of material", change),
        Term("plate", m["plate_min"], "fitting and cleaning the plate", {"plate_min": m["plate_min"]}),
    ]
    if b.process == "PBF":
        return terms
    if b.process == "MEX":
        look = {"first_look_min": m["first_look_min"]}
        terms.append(Term("first layer", m["first_look_min"], "a person watches the first layer", look))
    used = laid_cm3(b)
    inputs = {"used_cm3": used, "refill_cm3": m["refill_cm3"], "refill_min": m["refill_min"]}
    return [*terms, Term(REFILL, used / m["refill_cm3"] * m["refill_min"], "used / a filling x refill", inputs)]


def laid_cm3(b: Builds) -> np.ndarray:
    """Material that the machine lays, cures or sinters, shape (n,): parts as they are filled, and their supports [cm3]."""
    if b.process == "MEX":
        return mex.laid_cm3(b)
    density = b.machine["support_density_share"] if b.process == "VPP" else 0.0
    return b.volume_cm3 + density * b.support_cm3


def _has_bench(rate: Mapping[str, float]) -> bool:
    return any(rate.get(name, 0.0) > 0 for name in rate if name.startswith(("start", "per_")))


def _stated(b: Builds, terms: list[Term]) -> list[Term]:
    """The minutes of the machine's path, or those that it announced, instead of the terms, where they are the best known."""
    basis = b.basis_of("printing")
    from_path, announced = basis == "path", basis == "announced"
    if not (from_path | announced).any():
        return terms
    unstated = [replace(term, minutes=np.where(from_path | announced, 0.0, term.minutes)) for term in terms]
    path_min, announced_min = np.where(from_path, b.path_min, 0.0), np.where(announced, b.announced_min, 0.0)
    return [
        *unstated,
        Term("path", path_min, "every move of the machine's path", {"path_min": b.path_min}, "the path file"),
        Term("announced", announced_min, "as announced", {"announced_min": b.announced_min}, "the machine"),
    ]


def floor_minutes(b: Builds, stage: str, shop: Shop) -> np.ndarray:
    """Minutes that nothing may undercut, shape (n,): the data sheet's for every load; 0 where a stage has none, NaN where unknown.

    Cooling of an extruder's plate, and drying after its bath, have a floor only where the material states one. Powder has
    one by conduction too, where its height is known: its limit is a temperature.
    """
    key = FLOOR_OF_STAGE.get(stage)
    if key is None:
        return np.zeros(len(b))
    each = b.floors[key]
    if b.process == "MEX" and stage in ("cool_down", "drying"):
        each = np.nan_to_num(each)
    if b.process == "PBF" and stage == "cool_down":
        longer: np.ndarray = np.fmax(each, pbf.least_cool_min(b))
        return longer
    return each if stage == "cool_down" else each * load_count(b, stage_rate(stage, shop))


def _raised(b: Builds, stage: str, terms: list[Term], shop: Shop) -> Term:
    """What the data sheet's floor adds to the terms."""
    summed = total(terms)
    floor = floor_minutes(b, stage, shop)
    missing = np.maximum(np.fmax(floor, LEAST_MIN) - summed, 0.0)
    return Term("up to the floor", missing, "floor - the above, where positive", {"floor_min": floor}, "data sheet")


def _block(b: Builds, shop: Shop, with_terms: bool) -> dict[str, np.ndarray]:
    """Every column of Baselines for one kind of machine, shape (builds, stages)."""
    stages = stages_of(b.process, shop)
    shape = (len(b), len(stages))
    minutes, touch, floor, sd = np.empty(shape), np.empty(shape), np.empty(shape), np.empty(shape)
    basis, fillings = np.empty(shape, object), np.zeros(len(b))
    shares = np.zeros((*shape, TERMS if with_terms else 0), np.float32)
    for place, stage in enumerate(stages):
        terms, hands = stage_terms(b, stage, shop)
        floor[:, place] = floor_minutes(b, stage, shop)
        summed = total(terms)
        minutes[:, place] = np.maximum(summed, np.fmax(floor[:, place], LEAST_MIN))
        touch[:, place] = np.minimum(hands, minutes[:, place])
        basis[:, place] = b.basis_of(stage)
        sd[:, place] = prior_sd(stage, basis[:, place])
        for term in terms:
            if term.name == REFILL:
                fillings = np.asarray(term.inputs["used_cm3"] / term.inputs["refill_cm3"])
        for number, term in enumerate(terms[: shares.shape[2]]):
            shares[:, place, number] = term.minutes / minutes[:, place]
    names = np.broadcast_to(np.array(stages, object), shape)
    return {
        "stage": names,
        "minutes": minutes,
        "touch_min": touch,
        "basis": basis,
        "prior_sd": sd,
        "floor_min": floor,
        "fillings": np.broadcast_to(fillings[:, None], shape),
        "terms": shares,
    }


def _joined(blocks: list[tuple[np.ndarray, dict[str, np.ndarray]]], builds: int, terms: int) -> Baselines:
    """Blocks of several kinds as one table, sorted by build; of no rows where there is no build."""
    width = np.zeros(builds, int)
    for rows, block in blocks:
        width[rows] = block["minutes"].shape[1]
    start = np.cumsum(width) - width
    joined: dict[str, np.ndarray] = {"build": np.repeat(np.arange(builds), width)}
    for name in ("stage", "minutes", "touch_min", "basis", "prior_sd", "floor_min", "fillings", "terms"):
        like = blocks[0][1][name] if blocks else _nothing(name, terms)
        whole = np.empty((int(width.sum()), *like.shape[2:]), like.dtype)
        for rows, block in blocks:
            whole[start[rows][:, None] + np.arange(block[name].shape[1])] = block[name]
        joined[name] = whole
    return Baselines(**joined)


def _nothing(name: str, terms: int) -> np.ndarray:
    """A column of Baselines for no build."""
    if name == "terms":
        return np.zeros((0, 0, terms), np.float32)
    return np.zeros((0, 0), object if name in ("stage", "basis") else float)


def _kinds(columns: Mapping[str, np.ndarray], shop: Shop) -> np.ndarray:
    strange = sorted({str(code) for code in np.asarray(columns["process"], object)} - set(KINDS))
    if strange:
        raise OutsideModelError(f'process "{strange[0]}" is not known.', f"Known: {', '.join(PROCESSES)}.")
    return machine_kinds(columns, shop)


def _number(value: Any) -> float:
    return float(np.ravel(value)[0])


def _numbers(inputs: Mapping[str, Any]) -> dict[str, float]:
    known = {name: _number(value) for name, value in inputs.items()}
    return {name: value for name, value in known.items() if np.isfinite(value)}
