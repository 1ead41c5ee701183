"""What has to stand beside the numbers: warnings, cautions, what was not judged, and what makes a range wide."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from calib.documents.compare import Caution
from calib.documents.quote import Cause
from calib.geometry.hollows import NARROW_MM, find_hollows, sealed_cavities_mm3
from calib.geometry.mesh import Mesh
from calib.quoting.request import QuoteRequest
from calib.quoting.work import Work
from calib.records import Enclosed
from calib.safety import NO_FLOOR, cautions_by_text
from calib.shop.limits import least_time_known, material_of
from calib.shop.model import Shop


def cautions_of(route: Iterable[str], process: str, shop: Shop) -> list[Caution]:
    """What to take care of on a route, each text once, with the process and the stages that it is for."""
    texts = cautions_by_text(process, route, shop.cautions)
    return [{"process": process, "stages": stages, "text": text} for text, stages in texts.items()]


def option_cautions(work: Work, shop: Shop) -> list[Caution]:
    """Of every process that parts of the option go through."""
    pairs = work.stages_by_process
    return [
        caution
        for process in dict.fromkeys(process for process, _ in pairs)
        for caution in cautions_of([stage for own, stage in pairs if own == process], process, shop)
    ]


def option_warnings(work: Work, shop: Shop) -> list[str]:
    """Sentences about this option that a careful estimator would add."""
    warnings = []
    if work.option.in_shared_build:
        cutoffs = ", ".join(shop.machines[work.option.machines[0]].cutoffs)
        warnings.append(f"Goes along in the build closed {cutoffs}; minutes and cost are those of these parts alone.")
    warnings += unknown_floors(floors_not_known(work, shop))
    owned = [shop.machines[name] for name in work.option.machines if name in shop.machines]
    if any(not machine.owned for machine in owned):
        warnings.append("A machine that the shop does not own: unlearned, so the range is wide.")
    overnight = [machine.id for machine in owned if not machine.lights_out]
    long = (work.steps.stage == "printing") & (work.steps.baseline_min > 24 * 60)
    if overnight and long.any():
        warnings.append(f"{_and(overnight)} may not run unattended, and a build takes more than a day.")
    for piece in {piece.name: piece for piece in work.option.pieces}.values():
        warnings += fine_mesh(piece.name, len(piece.shape.pose.mesh.triangles))
        warnings += sealed_hollows(piece.name, piece.shape.pose.mesh, piece.process)
        warnings += open_hollows(piece.name, piece.shape.pose.mesh, piece.process, piece.shape.enclosed)
    fillings = float(work.steps.fillings.max(initial=0.0))
    if any(job.dry_at for job in work.jobs):
        warnings.append(
            f"One build takes {fillings:.1f} fillings of material: the machine stands still until somebody fills it; "
            "that is in the dates."
        )
    chance = float(1 - np.prod(1 - work.failure_chance))
    if chance >= 0.2:
        warnings.append(f"Chance that at least one build fails and is done again: {chance:.0%}; it is in the ranges.")
    return warnings


SLOW_FACES = 1_000_000  # from here a quote takes more than some 15 s of one processor, and a minute at 4.84 million


def fine_mesh(name: str, faces: int) -> list[str]:
    """A sentence where a file is finer than its answer needs.

    >>> fine_mesh("a.stl", 20_000), fine_mesh("b.stl", 4_840_000)
    ([], ['b.stl has 4,840,000 faces, which makes its quotes slow: a coarser export, below 1,000,000, is as good.'])
    """
    if faces <= SLOW_FACES:
        return []
    slow = "which makes its quotes slow: a coarser export"
    return [f"{name} has {faces:,} faces, {slow}, below {SLOW_FACES:,}, is as good."]


TRAPPED = {
    "VPP": "uncured resin stays in it: it leaks and irritates later, and cannot be washed or cured",
    "PBF": "powder stays in it",
    "MEX": "supports inside it cannot be removed and stay",
}


def sealed_hollows(name: str, mesh: Mesh, process: str) -> list[str]:
    """A sentence where a part has a hollow that nothing can leave."""
    hollows = sealed_cavities_mm3(mesh)
    if not hollows:
        return []
    what = "a sealed hollow" if len(hollows) == 1 else f"{len(hollows)} sealed hollows"
    volume = f"{sum(hollows) / 1000:.2g} cm3"
    return [f"{name} has {what} ({volume}) without an opening: {TRAPPED[process]}. Give each two holes, or fill it."]


NOT_CHECKED = "calib did not check strength, tolerance or heat."

# Widths below which little leaves a hollow, and passages that are hard to clear: common practice, no source.
TOO_NARROW_MM = {"VPP": 2.0, "PBF": 3.0}
LEAST_HELD_SHARE = 0.05
MOST_HOLLOWS = 3  # that are named, the narrowest first


def open_hollows(name: str, mesh: Mesh, process: str, enclosed: Enclosed) -> list[str]:
    """Sentences where resin or powder hardly leaves a part; its widths are those of common practice."""
    if process not in TOO_NARROW_MM:
        return []
    hollows, least = find_hollows(mesh), TOO_NARROW_MM[process]
    what = "resin" if process == "VPP" else "powder"
    sentences = []
    for room in hollows.rooms[:MOST_HOLLOWS]:
        size = f"{name} has a hollow of {room.volume_mm3 / 1000:.2g} cm3"
        if room.openings == 0:
            sentences.append(
                f"{size} without an opening wider than {room.opening_mm:.1f} mm: {what} stays in it. "
                f"Give it two holes of {least + 1.5:g} mm (common practice), or fill it."
            )
        elif room.opening_mm < least - 0.05:
            sentences.append(
                f"{size}; its widest opening is {room.opening_mm:.1f} mm, and below {least:g} mm {what} hardly leaves "
                f"(common practice). Widen it, or give it two holes of {least + 1.5:g} mm."
            )
        elif room.openings == 1:
            sentences.append(
                f"{size} with one opening ({room.opening_mm:.1f} mm): a second lets air in and {what} out."
            )
    held = enclosed.held_hanging_cm3, enclosed.held_standing_cm3
    if process == "VPP" and min(held) > LEAST_HELD_SHARE * enclosed.hollow_cm3:
        sentences.append(
            f"{name} keeps {min(held):.2g} cm3 of resin below its openings as it is built: turn it to drain it, "
            "or move the opening to the lowest place."
        )
    if enclosed.narrow_cm3:
        sentences.append(
            f"{name} has {enclosed.narrow_cm3:.2g} cm3 of passages narrower than about {NARROW_MM:g} mm: {what} may stay "
            "in them (common practice)."
        )
    return sentences


def floors_not_known(work: Work, shop: Shop) -> list[tuple[str, str]]:
    """Material and stage of each step whose least time is not known."""
    steps = work.steps
    steps_once = dict.fromkeys(zip(steps.process, steps.material, steps.machine, steps.stage, strict=True))
    named = [(process, material_of(shop, name, machine), stage) for process, name, machine, stage in steps_once]
    return [(name, stage) for process, name, stage in named if not least_time_known(shop, process, name, stage)]


def floors_not_known_then(option: Mapping[str, Any], shop: Shop) -> list[tuple[str, str]]:
    """The same of an option as a quote kept it."""
    stages = [row["stage"] for row in option["stages"]]
    builds = {(build["process"], build["material"] or "", build["machine"]) for build in option.get("plan") or ()}
    return [
        (material_of(shop, material, machine), stage)
        for process, material, machine in sorted(builds)
        for stage in stages
        if not least_time_known(shop, process, material_of(shop, material, machine), stage)
    ]


def unknown_floors(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """A sentence for each material of which the data sheet's least times are not known; found : material, stage.

    >>> unknown_floors([("pa12", "cool_down"), ("pa12", "cool_down")])
    ['pa12: no least time known for cool down: see the data sheet.']
    """
    stages_of: dict[str, dict[str, None]] = {}
    for material, stage in pairs:
        stages_of.setdefault(material, {})[stage.replace("_", " ")] = None
    return [f"{name}: {NO_FLOOR} {_and(own)}: see the data sheet." for name, own in stages_of.items()]


def quote_notes(request: QuoteRequest, shop: Shop, meshes: Sequence[Mesh]) -> list[str]:
    """Sentences about the whole quote."""
    notes = [note if len(meshes) == 1 else f"{mesh.name}: {note}" for mesh in meshes for note in mesh.notes]
    if shop.attended is None:
        notes.append("The shop file states no opening hours: people are counted as there around the clock.")
    needs = tuple(dict.fromkeys(need for line in request.lines for need in line.needs))
    notes.append(_judged(needs, shop) if needs else NOT_CHECKED)
    return notes


def _judged(needs: tuple[str, ...], shop: Shop) -> str:
    silent = sorted(material.id for material in shop.materials.values() if material.fit_for is None)
    judged = f"Judged by the shop's own statements: {', '.join(needs)}. {NOT_CHECKED}"
    return f"{judged} Nothing is stated for {_and(silent)}." if silent else judged


def _and(names: Any) -> str:
    listed = [str(name) for name in names]
    return listed[0] if len(listed) == 1 else ", ".join(listed[:-1]) + " and " + listed[-1]


def width_by_cause(work: Work, ready: np.ndarray, most: int = 3) -> list[Cause]:
    """Stages, waits and failures by how much of the finished date's variation goes with them.

    share : squared rank correlation of the cause's minutes with the date, draw by draw [0..1]; not additive
    ready : shape (draws,) [wall min]
    """
    stages = work.steps.stage
    causes = {stage: work.minutes[stages == stage].sum(axis=0) for stage in work.route}
    causes["waiting"] = np.sum([wait for job in work.jobs for wait in job.waits.values()] or [np.zeros(len(ready))], 0)
    failed = [job.failed_at.sum(axis=0) for job in work.jobs if job.failed_at is not None]
    causes["failed builds"] = np.sum(failed or [np.zeros(len(ready))], axis=0)
    runs = {stage: work.steps.runs_behind[stages == stage].min() for stage in work.route}
    shares = {cause: _rank_correlation(minutes, ready) ** 2 for cause, minutes in causes.items()}
    ordered = sorted(shares, key=lambda cause: -shares[cause])[:most]
    return [
        {"cause": cause, "share": round(shares[cause], 3), "runs_behind": int(runs[cause]) if cause in runs else None}
        for cause in ordered
    ]


def _rank_correlation(first: np.ndarray, second: np.ndarray) -> float:
    """Spearman's, ties in order of the draws."""
    if np.ptp(first) == 0 or np.ptp(second) == 0:
        return 0.0
    return float(np.corrcoef(first.argsort().argsort(), second.argsort().argsort())[0, 1])
