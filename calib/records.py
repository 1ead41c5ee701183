"""The nouns that every room speaks: processes, stages, routes, the layer profile of a part. No logic but looking up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

# Process categories of ISO/ASTM 52900:2021. The PBF here is of polymer, by laser (PBF-LB/P).
PROCESSES = {
    "MEX": "material extrusion",
    "VPP": "vat photopolymerization",
    "PBF": "powder bed fusion",
}
# The trade's own words, lower case, accepted on the way in and never printed.
PROCESS_WORDS = {
    **{code.lower(): code for code in PROCESSES},
    **{words: code for code, words in PROCESSES.items()},
    "fff": "MEX",
    "fdm": "MEX",
    "sla": "VPP",
    "msla": "VPP",
    "dlp": "VPP",
    "sls": "PBF",
}


def process_code(word: str) -> str | None:
    """The code of a process named in any of the trade's words; None of another word.

    >>> process_code(" SLA "), process_code("weaving")
    ('VPP', None)
    """
    return PROCESS_WORDS.get(word.strip().lower())


FINISHES = ("as_built", "supports_off", "blasted", "sanded")
DIFFICULTIES = ("plain", "normal", "intricate")
OUTCOMES = ("done", "stopped", "failed", "skipped", "void")
NEVER_ENDED = "never ended"  # the rule by which an open run is asked about that is older than any like it
NEVER_LOGGED = "never logged"  # rule of a question about a stage that nobody logs
BASES = ("path", "profile", "volume", "announced", "mass_layers", "count")  # best first


@dataclass(frozen=True)
class Stage:
    """One kind of work on the way from file to finished part.

    scope : 'order', 'build' or 'load': what one run of it serves
    hands : 'all' (a person throughout), 'part', 'ends' (a few minutes at the start and end of a load)
        or 'none' (a machine's or nobody's)
    optional : not in the default route of a build unless its finish, its material or the shop asks for it
    """

    name: str
    processes: tuple[str, ...]
    scope: str
    hands: str
    optional: bool = False


_ALL = ("MEX", "VPP", "PBF")
STAGES: dict[str, Stage] = {
    stage.name: stage
    for stage in (
        Stage("design_adaptation", _ALL, "order", "all"),
        Stage("file_prep", _ALL, "order", "all"),
        Stage("material_drying", ("MEX",), "load", "ends", optional=True),
        Stage("powder_prep", ("PBF",), "build", "part"),
        Stage("machine_setup", _ALL, "build", "all"),
        Stage("warm_up", _ALL, "build", "none"),
        Stage("printing", _ALL, "build", "none"),
        Stage("cool_down", ("MEX", "PBF"), "build", "none"),
        Stage("unloading", _ALL, "build", "all"),
        Stage("machine_cleaning", _ALL, "build", "all"),
        Stage("draining", ("VPP",), "build", "ends"),
        Stage("washing", ("VPP",), "load", "ends"),
        Stage("drying", ("VPP", "MEX"), "load", "none"),
        Stage("support_removal", ("MEX", "VPP"), "build", "all"),
        Stage("support_dissolving", ("MEX",), "load", "ends", optional=True),
        Stage("rinsing", ("MEX",), "load", "ends", optional=True),
        Stage("post_curing", ("VPP",), "load", "ends"),
        Stage("breakout", ("PBF",), "build", "all"),
        Stage("part_cleaning", ("PBF",), "build", "all"),
        Stage("powder_recovery", ("PBF",), "load", "part"),
        Stage("blasting", _ALL, "load", "all", optional=True),
        Stage("sanding", _ALL, "load", "all", optional=True),
        Stage("annealing", _ALL, "load", "ends", optional=True),
        Stage("colouring", _ALL, "load", "ends", optional=True),
        Stage("assembly", _ALL, "order", "all", optional=True),
        Stage("inspection", _ALL, "order", "all"),
        Stage("packing", _ALL, "order", "all"),
    )
}


def hands_of(stage: str) -> str:
    """The hands that a stage wants (see ``Stage``); a stage of the shop's own wants a person throughout.

    >>> hands_of("printing"), hands_of("gluing")
    ('none', 'all')
    """
    return STAGES[stage].hands if stage in STAGES else "all"


def scope_of(stage: str) -> str:
    """What one run of a stage serves (see ``Stage``); one of a stage of the shop's own serves a build.

    >>> scope_of("packing"), scope_of("gluing")
    ('order', 'build')
    """
    return STAGES[stage].scope if stage in STAGES else "build"


# The order of work by default; a shop changes it in its shop file.
ROUTES: dict[str, tuple[str, ...]] = {
    "MEX": (
        "design_adaptation", "file_prep", "material_drying", "machine_setup", "warm_up", "printing", "cool_down",
        "unloading", "machine_cleaning", "support_removal", "support_dissolving", "rinsing", "drying", "blasting",
        "sanding", "annealing", "colouring", "assembly", "inspection", "packing",
    ),
    "VPP": (
        "design_adaptation", "file_prep", "machine_setup", "warm_up", "printing", "unloading", "machine_cleaning",
        "draining", "washing", "drying", "support_removal", "post_curing", "blasting", "sanding", "annealing",
        "colouring", "assembly", "inspection", "packing",
    ),
    "PBF": (
        "design_adaptation", "file_prep", "powder_prep", "machine_setup", "warm_up", "printing", "cool_down",
        "unloading", "machine_cleaning", "breakout", "part_cleaning", "powder_recovery", "blasting", "sanding",
        "annealing", "colouring", "assembly", "inspection", "packing",
    ),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class LayerProfile:
    """What one part in one pose looks like to a layer-wise process; layer i is cut at lowest point + (i + 1/2) layer.

    layer_mm : layer thickness [mm]
    z_mm : shape (n,), height of the cut above the lowest point [mm]
    area_mm2, perimeter_mm : shape (n,), of the section [mm2], [mm]
    contours, segments : shape (n,), closed loops and straight pieces [-]
    corners : shape (n,), corners as so many right angles, by the time that they cost; below 8 degrees they cost none [-]
    up_skin_mm2, down_skin_mm2 : shape (n,), surface that is not covered by the next, or not carried by the last
        layer [mm2]
    angles_deg : shape (k,), directions of fill lines [deg]
    line_width_mm : shape (n, k), sum over contour edges of |e . n|/2: divided by the spacing of lines it is their
        number [mm]
    support_mm2 : shape (n,), section of the supports of one part [mm2]; None where it is not known
    """

    layer_mm: float
    z_mm: np.ndarray
    area_mm2: np.ndarray
    perimeter_mm: np.ndarray
    contours: np.ndarray
    segments: np.ndarray
    corners: np.ndarray
    up_skin_mm2: np.ndarray
    down_skin_mm2: np.ndarray
    angles_deg: np.ndarray
    line_width_mm: np.ndarray
    support_mm2: np.ndarray | None = None


@dataclass(frozen=True)
class HeatWord:
    """A heater's new set temperature on a machine's path.

    move : number of the move that it stands before [-]
    waits : the path goes on only when it is reached
    """

    move: int
    heater: str
    set_c: float
    waits: bool


MOVE_KINDS = ("laying", "travel", "material", "dwell")  # material: pulled back or primed without moving


@dataclass(frozen=True, eq=False)
class MachinePath:
    """The path that a machine will run, move by move; without any time but what the path itself states.

    kind : shape (n,), place in MOVE_KINDS [-]
    length_mm : shape (n,), along the move; of the material where only that moves; 0 for a dwell [mm]
    speed_mm_s : shape (n,), as stated; NaN before the first statement [mm/s]
    radius_mm : shape (n,), of an arc; inf for a straight move [mm]
    turn : shape (n,), sin(theta / 2) of the angle by which the path turns before the move; inf where it rests [-]
    dwell_s : shape (n,), stated rest [s]
    layer : shape (n,), place in layer_z_mm [-]
    layer_z_mm : shape (m,), heights on which material is laid, rising [mm]
    size_mm : shape (3,), box of what is laid [mm]
    heat : set temperatures in the order of the path
    blocks : lines of the file
    notes : what was passed over or assumed, as sentences
    """

    name: str
    sha256: str
    kind: np.ndarray
    length_mm: np.ndarray
    speed_mm_s: np.ndarray
    radius_mm: np.ndarray
    turn: np.ndarray
    dwell_s: np.ndarray
    layer: np.ndarray
    layer_z_mm: np.ndarray
    size_mm: np.ndarray
    heat: tuple[HeatWord, ...]
    blocks: int
    notes: tuple[str, ...]


class Enclosed(NamedTuple):
    """What one part encloses; nothing where nothing is known.

    sealed_cm3 : hollows without an opening; narrow_cm3 : narrow passages
    hollow_cm3 : hollows with an opening; hollow_opening_mm : their openings' width, as the mean of volume over width
    drain_cm3, drain_opening_mm, drain_opening_mm2 : the hollow that drains last, its openings' width and area; of a
        single opening the half, as air has to come in
    held_standing_cm3, held_hanging_cm3 : of hollow_cm3, what does not run out of the part as it is built, its lowest
        layer down or up
    """

    sealed_cm3: float = 0.0
    hollow_cm3: float = 0.0
    hollow_opening_mm: float = np.nan
    drain_cm3: float = 0.0
    drain_opening_mm: float = np.nan
    drain_opening_mm2: float = np.nan
    narrow_cm3: float = 0.0
    held_standing_cm3: float = 0.0
    held_hanging_cm3: float = 0.0


NOTHING_ENCLOSED = Enclosed()


@dataclass(frozen=True, eq=False)
class MeasuredPart:
    """A part in one pose, as one process builds it.

    name, sha256 : of its file
    area_cm2, support_cm3, contact_cm2 : surface, supports and where they touch, of one part
    volume_cm3, size_mm, support_thick_mm : of one part in that pose; nan where measured before poses were kept
    rafted : a raft carries it; quantity : number of parts for which the pose was chosen
    enclosed : its hollows
    """

    name: str
    process: str
    sha256: str
    area_cm2: float
    support_cm3: float
    contact_cm2: float
    profile: LayerProfile
    volume_cm3: float = np.nan
    size_mm: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    support_thick_mm: float = np.nan
    rafted: bool = False
    quantity: int = 1
    enclosed: Enclosed = NOTHING_ENCLOSED


TERMS = 8  # of a stage's formula, whose shares are carried beside its minutes
TERM_COLUMNS = [f"term_{number}" for number in range(TERMS)]


@dataclass(frozen=True, eq=False)
class Baselines:
    """Baseline minutes of stages of builds, one row for each stage a build could have.

    build : shape (n,), index into the builds asked about [-]
    stage : shape (n,), stage names
    minutes : shape (n,), all minutes of the stage for that build [min]
    touch_min : shape (n,), minutes of it with hands on [min]
    basis : shape (n,), what the build row allowed: one of BASES
    prior_sd : shape (n,), how far such a baseline is usually off before any log: sd of log(actual/baseline) [-]
    floor_min : shape (n,), minutes that nothing may undercut; 0 where no floor applies, NaN where it is unknown [min]
    fillings : shape (n,), fillings (spools, vats) of material that the build takes; above 1 the machine runs dry while it
        prints and stands still until somebody is there [-]
    terms : shape (n, TERMS), share of the minutes that each of the formula's first terms has [-]; None if not asked for
    """

    build: np.ndarray
    stage: np.ndarray
    minutes: np.ndarray
    touch_min: np.ndarray
    basis: np.ndarray
    prior_sd: np.ndarray
    floor_min: np.ndarray
    fillings: np.ndarray
    terms: np.ndarray | None = None
