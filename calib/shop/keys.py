"""Every number that a shop file can state: name with its unit, meaning, default for each kind, range, source.

Defaults are the middle of usual practice for in-house machines of today (desktop or benchtop extrusion, masked
resin, benchtop laser sintering of PA12). Hardly any of them has a publication behind it: they are marked so, are
meant to be stated by the lab, and are corrected by its logs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

COMMON = "common practice, no source"
MEMORY = "general literature, from memory: to be fitted"

KINDS = {"MEX": ("extruder",), "VPP": ("masked", "scanned"), "PBF": ("laser_bed",)}


@dataclass(frozen=True)
class Key:
    """One number of the shop file.

    defaults : kind (of a machine), process (of a material) or '' (of the rest) -> value; the unit ends the name
    low, high : what is accepted, both included
    """

    name: str
    about: str
    defaults: Mapping[str, float]
    low: float
    high: float
    source: str = COMMON
    whole: bool = False


def _each(**defaults: float) -> Mapping[str, float]:
    return defaults


MACHINE_KEYS: tuple[Key, ...] = (
    # every kind
    Key("layer_mm", "layer thickness", _each(extruder=0.2, masked=0.05, scanned=0.05, laser_bed=0.1), 0.005, 2.0),
    Key("gap_mm", "gap between parts", _each(extruder=5.0, masked=3.0, scanned=3.0, laser_bed=4.0), 0.0, 100.0),
    Key("margin_mm", "border of the plate kept free", _each(extruder=5.0, masked=3.0, scanned=5.0), 0.0, 100.0),
    Key("least_wall_mm", "thinnest wall", _each(extruder=0.8, masked=0.4, scanned=0.4, laser_bed=0.8), 0.0, 20.0),
    Key("ambient_c", "room, where a warm-up starts", _each(extruder=22, masked=22, scanned=22, laser_bed=22), -10, 60),
    Key("start_sequence_min", "homing, priming", _each(extruder=4, masked=1.5, scanned=2, laser_bed=5), 0, 240),
    Key("change_share", "builds that need another material",
        _each(extruder=0.3, masked=0.2, scanned=0.1, laser_bed=0.02), 0.0, 1.0),
    Key("change_min", "change of material", _each(extruder=5.0, masked=0.7, scanned=15.0, laser_bed=240.0), 0.0, 2880),
    Key("first_look_min", "a person watches the first layer", _each(extruder=2.0), 0.0, 60.0),
    Key("plate_min", "fitting and cleaning the plate",
        _each(extruder=1.5, masked=1.5, scanned=2.0, laser_bed=3.0), 0.0, 240.0),
    Key("refill_cm3", "material in one spool or filling", _each(extruder=800.0, masked=400.0, scanned=1000.0), 1.0, 1e6),
    Key("refill_min", "one refill", _each(extruder=3.0, masked=2.0, scanned=3.0), 0.0, 240.0),
    Key("typical_part_cm3", "volume of a part, where nothing is known",
        _each(extruder=35.0, masked=12.0, scanned=15.0, laser_bed=15.0), 0.001, 1e6),
    Key("typical_height_mm", "height of a build, where nothing is known",
        _each(extruder=45.0, masked=55.0, scanned=60.0, laser_bed=110.0), 0.1, 3000),
    # extruder and resin
    Key("overhang_deg", "surface flatter than this from the horizontal is supported",
        _each(extruder=45.0, masked=45.0, scanned=45.0), 0.0, 90.0),
    # extruder: bead and what is laid
    Key("nozzle_mm", "nozzle's bore", _each(extruder=0.4), 0.05, 5.0),
    Key("line_per_nozzle", "width of the line over the bore", _each(extruder=1.1), 0.5, 3.0),
    Key("walls", "lines around each contour", _each(extruder=2.5), 0.0, 50.0),
    Key("skin_layers", "full layers above and below", _each(extruder=4.0), 0.0, 100.0),
    Key("infill_share", "density of the fill", _each(extruder=0.2), 0.0, 1.0),
    Key("support_density_share", "supports over the space that they stand in", _each(extruder=0.18, masked=0.1, scanned=0.1), 0.01, 1.0),
    # extruder: motion
    Key("wall_speed_mm_s", "set speed of walls", _each(extruder=75.0), 1.0, 1000.0),
    Key("fill_speed_mm_s", "set speed of fill, skins and supports", _each(extruder=110.0), 1.0, 1000.0),
    Key("first_layer_speed_mm_s", "set speed of the first layer", _each(extruder=25.0), 1.0, 1000.0),
    Key("travel_speed_mm_s", "speed without laying", _each(extruder=180.0), 1.0, 2000.0),
    Key("acceleration_mm_s2", "acceleration", _each(extruder=2500.0), 10.0, 100000.0),
    Key("corner_speed_mm_s", "speed kept round a right-angled corner", _each(extruder=8.0), 0.0, 500.0),
    Key("melt_rate_mm3_s", "greatest flow through the nozzle", _each(extruder=12.0), 0.1, 500.0),
    Key("retraction_s", "pulling back and priming at each jump", _each(extruder=0.15), 0.0, 30.0),
    Key("layer_change_s", "lift and start of a layer", _each(extruder=0.8), 0.0, 120.0),
    Key("least_layer_s", "least time of a layer over the whole plate", _each(extruder=8.0), 0.0, 600.0),
    Key("tool_changes_per_layer", "changes of tool or material within a layer", _each(extruder=0.0), 0.0, 200.0),
    Key("tool_change_s", "one change without purge", _each(extruder=15.0), 0.0, 600.0),
    Key("purge_mm3", "purged at each change", _each(extruder=60.0), 0.0, 10000.0),
    Key("one_by_one", "1: parts are printed one after another", _each(extruder=0.0), 0.0, 1.0, whole=True),
    # extruder: heat
    Key("bed_reach_c", "bed, if heated for ever", _each(extruder=130.0), 30.0, 300.0),
    Key("bed_tau_min", "time constant of heating the bed", _each(extruder=8.0), 0.1, 240.0),
    Key("nozzle_reach_c", "nozzle, if heated for ever", _each(extruder=380.0), 100.0, 600.0),
    Key("nozzle_tau_min", "time constant of heating the nozzle", _each(extruder=1.5), 0.05, 60.0),
    Key("soak_min", "wait at temperature", _each(extruder=2.0, masked=0.0, scanned=10.0, laser_bed=40.0), 0.0, 600.0),
    Key("bed_cool_tau_min", "time constant of the bed's cooling", _each(extruder=15.0), 0.1, 240.0),
    Key("part_cool_min", "wait for the part itself after the bed", _each(extruder=1.0), 0.0, 600.0),
    # resin: exposure
    Key("irradiance_mw_cm2", "light on the film", _each(masked=4.0), 0.05, 500.0),
    Key("overcure_mm", "cured deeper than the layer", _each(masked=0.05, scanned=0.05), 0.0, 1.0),
    Key("first_layers", "layers with longer exposure", _each(masked=6.0, scanned=4.0), 0.0, 200.0),
    Key("first_factor", "exposure of these over the usual one", _each(masked=12.0, scanned=2.0), 1.0, 100.0),
    Key("transition_layers", "layers after them, of exposures that fall evenly to the usual one",
        _each(masked=5.0, scanned=0.0), 0.0, 200.0),
    Key("laser_power_mw", "power on the surface", _each(scanned=200.0), 0.1, 10000.0),
    Key("beam_radius_mm", "1/e2 radius of the beam on the surface", _each(scanned=0.07), 0.005, 2.0),
    # resin: between layers
    Key("lift_mm", "lift after each layer", _each(masked=6.0, scanned=0.0), 0.0, 100.0),
    Key("lift_speed_mm_s", "lift", _each(masked=2.0, scanned=2.0), 0.01, 100.0),
    Key("return_speed_mm_s", "return", _each(masked=3.0, scanned=3.0), 0.01, 100.0),
    Key("settle_s", "wait before light", _each(masked=1.0, scanned=1.0), 0.0, 120.0),
    Key("tilt_s", "tilting the vat, where it tilts", _each(masked=0.0, scanned=0.0), 0.0, 120.0),
    Key("lift_area_s_cm2", "slower lift for each cm2 of section", _each(masked=0.02, scanned=0.0), 0.0, 10.0),
    Key("raft_mm", "resin: raft and lift of a supported part above the plate; extruder: raft of a part that cannot stand",
        _each(masked=6.0, scanned=6.0, extruder=1.0), 0.0, 100.0),
    Key("brim_mm", "brim round a part that is high for what touches the plate", _each(extruder=5.0), 0.0, 100.0),
    Key("fill_min", "stirring and filling the vat", _each(masked=2.0, scanned=2.0), 0.0, 240.0),
    Key("resin_reach_c", "resin, if heated for ever", _each(masked=45.0, scanned=45.0), 20.0, 150.0),
    Key("resin_tau_min", "time constant of warming the resin", _each(masked=20.0, scanned=20.0), 0.1, 600.0),
    # lasers on resin and powder
    Key("recoat_s", "recoating a layer", _each(masked=0.0, scanned=6.0, laser_bed=12.0), 0.0, 600.0),
    Key("hatch_mm", "spacing of the laser's lines", _each(scanned=0.08, laser_bed=0.15), 0.005, 5.0),
    Key("scan_speed_mm_s", "greatest speed of hatching", _each(scanned=5000.0, laser_bed=4000.0), 10.0, 50000.0),
    Key("contour_speed_mm_s", "speed of contours", _each(scanned=2000.0, laser_bed=1500.0), 10.0, 50000.0),
    Key("contours", "passes along each contour", _each(scanned=1.0, laser_bed=1.0), 0.0, 20.0),
    Key("jump_speed_mm_s", "between lines and parts", _each(scanned=8000.0, laser_bed=8000.0), 10.0, 100000.0),
    Key("jump_delay_s", "settling of the mirrors at each line", _each(scanned=0.0006, laser_bed=0.0006), 0.0, 1.0),
    Key("lasers", "lasers at once", _each(scanned=1.0, laser_bed=1.0), 1.0, 64.0, whole=True),
    # powder bed
    Key("layer_heat_s", "heating fresh powder before the laser", _each(laser_bed=6.0), 0.0, 300.0),
    Key("blank_first_mm", "powder below the lowest part", _each(laser_bed=8.0), 0.0, 100.0),
    Key("blank_last_mm", "powder above the highest part", _each(laser_bed=5.0), 0.0, 100.0),
    Key("wall_mm", "powder kept between parts and wall", _each(laser_bed=8.0), 0.0, 100.0),
    Key("cake_fill_limit", "most of the cake that parts fill", _each(laser_bed=0.15), 0.01, 0.7),
    Key("packing_usual", "share of the cake that parts usually fill", _each(laser_bed=0.08), 0.005, 0.7),
    Key("powder_reach_c", "powder bed, if heated for ever", _each(laser_bed=230.0), 60.0, 500.0),
    Key("powder_tau_min", "time constant of heating the bed", _each(laser_bed=35.0), 1.0, 600.0),
    Key("inert_min", "filling with inert gas, beside the heating", _each(laser_bed=25.0), 0.0, 600.0),
    Key("film_w_m2_k", "heat that leaves the cake's sides", _each(laser_bed=8.0), 0.5, 100.0, MEMORY),
    Key("insulated_bottom", "1: the cake loses no heat downwards (the safe side); 0: it does, as upwards",
        _each(laser_bed=1.0), 0.0, 1.0, whole=True),
    Key("head_start_share", "part of half the printing time by which the cake has cooled already",
        _each(laser_bed=0.15), 0.0, 1.0),
    Key("cool_least_min", "least cool-down", _each(laser_bed=120.0), 0.0, 10000.0),
    Key("least_time_inside_min", "cool-down before a chamber may leave", _each(laser_bed=60.0), 0.0, 10000.0),
)  # fmt: skip

MATERIAL_KEYS: tuple[Key, ...] = (
    Key("density_g_cm3", "of the solid", _each(MEX=1.24, VPP=1.15, PBF=1.01), 0.1, 25.0, MEMORY),
    Key("sanding_ratio", "sanding time over a usual material's", _each(MEX=1.0, VPP=1.0, PBF=1.0), 0.05, 20.0),
    Key("nozzle_c", "nozzle's temperature", _each(MEX=225.0), 50.0, 550.0),
    Key("bed_c", "bed's temperature", _each(MEX=65.0), 0.0, 250.0),
    Key("release_c", "bed below this lets the part go", _each(MEX=38.0), 0.0, 250.0),
    Key("flow_share", "of the machine's melt rate that this material allows", _each(MEX=1.0), 0.01, 3.0),
    Key("drying_min", "drying before use; 0 where none is needed", _each(MEX=0.0), 0.0, 10000.0),
    Key("soluble_supports", "1: supports are dissolved, not broken away", _each(MEX=0.0), 0.0, 1.0, whole=True),
    Key("dissolve_mm_h", "support thickness dissolved in an hour", _each(MEX=2.5), 0.01, 100.0),
    Key("penetration_mm", "depth of penetration Dp of the working curve", _each(VPP=0.12), 0.005, 2.0),
    Key("critical_mj_cm2", "critical exposure Ec of the working curve", _each(VPP=4.0), 0.05, 1000.0),
    Key("absorber_ratio", "absorbance now over that of the stated working curve", _each(VPP=1.0), 0.05, 20.0),
    Key("resin_c", "resin's temperature; below the room's: not heated", _each(VPP=25.0), 0.0, 120.0),
    Key("viscosity_ratio", "draining time over a usual resin's", _each(VPP=1.0), 0.1, 50.0),
    Key("powder_bed_c", "bed's temperature while printing", _each(PBF=172.0), 30.0, 400.0,
        "PA12 near 174 degC: Mielicki et al. 2014, AIP Conf. Proc., abstract"),
    Key("open_c", "core below this may be opened, where no data sheet limit is stated", _each(PBF=50.0), 20.0, 200.0),
    Key("powder_k_w_m_k", "conductivity of the powder", _each(PBF=0.10), 0.01, 10.0, MEMORY),
    Key("powder_rho_kg_m3", "density of the powder", _each(PBF=450.0), 10.0, 10000.0, MEMORY),
    Key("heat_j_kg_k", "specific heat", _each(PBF=2100.0), 100.0, 10000.0, MEMORY),
    Key("solid_k_w_m_k", "conductivity of the solid", _each(PBF=0.24), 0.01, 400.0, MEMORY),
    Key("fresh_share", "fresh powder in the mix", _each(PBF=0.5), 0.0, 1.0),
)  # fmt: skip

# No polymer powder, filled or not, has more; a metal has (common practice, no source).
MOST_OF_A_POLYMER = {
    "density_g_cm3": 3.0,
    "powder_rho_kg_m3": 2000.0,
    "powder_k_w_m_k": 1.0,
    "solid_k_w_m_k": 5.0,
}

# Data-sheet limits: no default, because an unknown floor is unknown, never zero.
FLOOR_KEYS: dict[str, tuple[float, float, str]] = {
    "cool_to_c": (20.0, 300.0, "core must be below this before opening [degC]"),
    "cool_floor_min": (0.0, 20000.0, "least cool-down"),
    "wash_floor_min": (0.0, 2000.0, "least washing of a load"),
    "dry_floor_min": (0.0, 20000.0, "least drying of a load"),
    "cure_floor_min": (0.0, 2000.0, "least post-curing of a load"),
    "rinse_floor_min": (0.0, 2000.0, "least rinsing of a load"),
}
NEEDED_FLOORS = {
    "MEX": (),
    "VPP": ("wash_floor_min", "dry_floor_min", "cure_floor_min"),
    "PBF": ("cool_to_c", "cool_floor_min"),
}
FLOOR_OF_STAGE = {
    "cool_down": "cool_floor_min",
    "washing": "wash_floor_min",
    "drying": "dry_floor_min",
    "post_curing": "cure_floor_min",
    "rinsing": "rinse_floor_min",
}
# Which of them a stage is needed for: where any is stated, no route leaves the stage out.
LIMITS_OF_STAGE = {stage: (key,) for stage, key in FLOOR_OF_STAGE.items()} | {
    "cool_down": ("cool_floor_min", "cool_to_c")
}

# What the cool-down of powder, and of a hot plate, is computed from, and which direction makes it shorter.
SHORTER_IF_HIGHER = (
    "cool_to_c", "open_c", "release_c", "powder_k_w_m_k", "solid_k_w_m_k", "film_w_m2_k", "head_start_share",
)  # fmt: skip
SHORTER_IF_LOWER = (
    "powder_bed_c", "powder_rho_kg_m3", "heat_j_kg_k", "density_g_cm3", "ambient_c", "insulated_bottom", "cool_least_min",
    "least_time_inside_min", "bed_cool_tau_min", "part_cool_min",
)  # fmt: skip

HOT_PLATE = ("release_c", "ambient_c", "bed_cool_tau_min", "part_cool_min")  # those of an extruder's plate

# What a station may state: it overrides the rates of its stages.
STATION_KEYS: tuple[Key, ...] = (
    Key("recipe_min", "minutes of one load", {}, 0.0, 20000.0),
    Key("hands_min", "a person's minutes for each load", {}, 0.0, 1000.0),
    Key("load_parts", "most parts in a load", {}, 1.0, 1e6),
    Key("load_cm3", "most part volume in a load", {}, 0.1, 1e7),
    Key("automatic_share", "part of the bench minutes that a machine does alone", {}, 0.0, 1.0),
)

# How one number of a rate reads, by its name; values by stage are in RATES below.
RATE_KEYS: dict[str, tuple[str, float, float]] = {
    "start_min": ("once for each run", 0.0, 5000.0),
    "per_part_min": ("for the first part; repeats fall along the learning curve", 0.0, 5000.0),
    "per_cm2_min": ("for each cm2 of surface", 0.0, 100.0),
    "per_contact_cm2_min": ("for each cm2 of support contact", 0.0, 500.0),
    "per_support_min": ("extra where there are supports", 0.0, 5000.0),
    "per_litre_min": ("for each litre of powder", 0.0, 500.0),
    "per_fresh_litre_min": ("for each litre of fresh powder mixed in", 0.0, 500.0),
    "per_cavity_cm2_min": ("for each cm2 of hollows and ribs, beyond a plain part's surface", 0.0, 100.0),
    "per_hollow_cm3_min": (
        "for each cm3 of hollows whose opening is 10 mm wide or more; inversely as narrower",
        0.0,
        100.0,
    ),
    "per_narrow_cm3_min": ("for each cm3 of passages narrower than 3 mm", 0.0, 1000.0),
    "recipe_min": ("minutes of one load", 0.0, 20000.0),
    "hands_min": ("a person's minutes for each load", 0.0, 1000.0),
    "load_parts": ("most parts in a load", 1.0, 1e6),
    "load_cm3": ("most part volume in a load", 0.1, 1e7),
    "automatic_share": ("part of the minutes that a machine does alone", 0.0, 1.0),
    "grades": ("grades of paper, one after another", 0.0, 20.0),
    "learning": ("second part's time over the first's", 0.5, 1.0),
    "plain_factor": ("plain parts over normal ones", 0.05, 20.0),
    "intricate_factor": ("intricate parts over normal ones", 0.05, 20.0),
    "mex_factor": ("MEX over the rest", 0.05, 20.0),
    "vpp_factor": ("VPP over the rest", 0.05, 20.0),
    "pbf_factor": ("PBF over the rest", 0.05, 20.0),
}
_BENCH = {"learning": 0.92, "plain_factor": 0.75, "intricate_factor": 1.6, "automatic_share": 0.0}
_BENCH |= {"mex_factor": 1.0, "vpp_factor": 1.0, "pbf_factor": 1.0}
_LOAD = {"load_parts": 40.0, "load_cm3": 600.0}

# Bench and recipe times by stage: common practice, no source.
RATES: dict[str, dict[str, float]] = {
    "design_adaptation": {"start_min": 22.0, **_BENCH, "plain_factor": 0.5, "intricate_factor": 2.2, "vpp_factor": 1.1},
    "file_prep": {"start_min": 11.0, "per_part_min": 0.5, "per_support_min": 3.0, **_BENCH, "learning": 0.8,
                  "pbf_factor": 1.3},
    "material_drying": {"recipe_min": 240.0, "hands_min": 4.0, "load_parts": 1e6, "load_cm3": 1500.0},
    "powder_prep": {"start_min": 12.0, "per_litre_min": 1.2, **_BENCH, "automatic_share": 0.4},
    "machine_setup": {"start_min": 6.5, **_BENCH, "pbf_factor": 2.2},
    "unloading": {"start_min": 4.0, "per_part_min": 0.6, "per_litre_min": 0.2, **_BENCH, "learning": 0.9,
                  "pbf_factor": 1.75},
    "machine_cleaning": {"start_min": 7.0, **_BENCH, "vpp_factor": 1.4, "pbf_factor": 3.5},
    "draining": {"recipe_min": 10.0, "hands_min": 3.0, "load_parts": 1e6, "load_cm3": 1e7},
    "support_removal": {"start_min": 2.5, "per_part_min": 2.0, "per_contact_cm2_min": 0.45, **_BENCH},
    "support_dissolving": {"recipe_min": 30.0, "hands_min": 5.0, **_LOAD},
    "rinsing": {"recipe_min": 8.0, "hands_min": 3.0, **_LOAD},
    "washing": {"recipe_min": 12.0, "hands_min": 5.0, **_LOAD},
    "drying": {"recipe_min": 30.0, "hands_min": 2.0, **_LOAD},
    "post_curing": {"recipe_min": 25.0, "hands_min": 4.0, **_LOAD},
    "breakout": {"start_min": 12.0, "per_part_min": 0.4, "per_litre_min": 2.2, **_BENCH},
    "part_cleaning": {"start_min": 6.0, "per_part_min": 1.2, "per_cm2_min": 0.004,
                      "per_cavity_cm2_min": 0.006, "per_hollow_cm3_min": 0.02, "per_narrow_cm3_min": 5.0, **_BENCH},
    "powder_recovery": {"start_min": 15.0, "per_litre_min": 1.5, "per_fresh_litre_min": 0.3, **_BENCH, "automatic_share": 0.4},
    "blasting": {"start_min": 5.0, "per_part_min": 1.0, "per_cm2_min": 0.006, **_BENCH},
    "sanding": {"start_min": 6.0, "per_part_min": 3.0, "per_cm2_min": 0.035, "grades": 3.0, **_BENCH},
    "annealing": {"recipe_min": 180.0, "hands_min": 6.0, **_LOAD},
    "colouring": {"recipe_min": 60.0, "hands_min": 10.0, **_LOAD},
    "assembly": {"start_min": 5.0, "per_part_min": 4.0, **_BENCH},
    "inspection": {"start_min": 4.0, "per_part_min": 1.2, **_BENCH, "learning": 0.85},
    "packing": {"start_min": 4.0, "per_part_min": 0.5, **_BENCH, "learning": 0.9},
}  # fmt: skip

COST_KEYS: tuple[Key, ...] = (
    Key("person_per_h", "an hour of a person", {}, 0.0, 1e5),
    Key("waste_share", "material bought beyond what the parts weigh", {"": 0.1}, 0.0, 10.0),
    Key("refresh_share", "unused powder that is not used again", {"": 0.3}, 0.0, 1.0),
    Key("consumables_per_build", "plates, solvent, filters, gas for each build", {}, 0.0, 1e5),
    Key("consumables_per_part", "for each part", {}, 0.0, 1e5),
    Key("overhead_share", "added to the sum", {"": 0.0}, 0.0, 10.0),
)
QUOTING_KEYS: tuple[Key, ...] = (
    Key("level", "share of the draws inside a range", {"": 0.8}, 0.5, 0.99),
    Key("draws", "joint draws behind a quote", {"": 5000.0}, 100.0, 200000.0, whole=True),
    Key("valid_days", "working days for which a quote stands", {"": 5.0}, 0.0, 365.0),
    Key("carriage_days", "open days on the way to a customer", {"": 0.0}, 0.0, 365.0, whole=True),
    Key("sure", "chance of the date that goes out", {"": 0.9}, 0.5, 0.999),
)
OUTSIDE_KEYS: tuple[Key, ...] = (
    Key("days", "working days until delivery", {}, 0.0, 365.0),
    Key("days_late", "working days that one in ten takes longer than", {}, 0.0, 365.0),
    Key("price_order", "price of an order", {}, 0.0, 1e7),
    Key("price_per_part", "price of each part", {}, 0.0, 1e7),
)
DRIFT_KEYS: tuple[Key, ...] = (
    Key("false_alarms_per_year", "for all stages of the shop together", {"": 2.0}, 0.01, 100.0),
)


def machine_defaults(kind: str) -> dict[str, float]:
    """Every parameter of a kind of machine at its default.

    >>> machine_defaults("masked")["layer_mm"]
    0.05
    """
    return {key.name: float(key.defaults[kind]) for key in MACHINE_KEYS if kind in key.defaults}


def material_defaults(process: str) -> dict[str, float]:
    """Every parameter of a process's material at its default."""
    return {key.name: float(key.defaults[process]) for key in MATERIAL_KEYS if process in key.defaults}


def rate_defaults(stage: str) -> dict[str, float]:
    """Rates of a stage; a stage of the shop's own starts from bench work that takes no time."""
    return dict(RATES.get(stage, _BENCH))
