"""Bench work, baths, chambers and ovens: minutes from a stage's rates, and a person's minutes of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from calib.baseline.build_inputs import SURFACE_SHAPE, Builds
from calib.baseline.learning_curve import repeats
from calib.baseline.term import Term, total
from calib.shop.keys import COMMON
from calib.shop.model import Shop

GRAVITY_M_S2 = 9.81
DISCHARGE = 0.61  # of a sharp-edged orifice; textbook value, from memory
USUAL_PA_S = 0.5  # viscosity of a usual resin; common practice, no source
LONGEST_MIN = 120.0  # no longer wait is usual: what has not run out by then stays in; common practice, no source
Rate = Mapping[str, float]
WIDE_OPENING_MM = 10.0  # through a narrower one it takes longer, as its width falls; common practice, no source
WRIGHT = f"learning curve: Wright 1936, in Crawford's unit form; minutes: {COMMON}"
HANDS = "hands at the start and end of loads"


def stage_rate(stage: str, shop: Shop) -> Rate:
    """Rates of a stage: the shop's, overridden by the first station that does it (a washer, a chamber)."""
    station = next((station for station in shop.stations.values() if stage in station.stages), None)
    return {**shop.rates.get(stage, {}), **(station.params if station else {})}


def bench_terms(b: Builds, stage: str, rate: Rate) -> list[Term]:
    r"""Time standard of bench work.

    .. math::  t = f_d f_p \left(t_0 + (t_1 m + f_m t_s S + t_k K + t_h H \max(10/w, 1) + t_n N + t_c C) \frac{L(m)}{m} + t_u + t_l V\right)

    Parameters
    ----------
    b : builds with m parts, surface S, cavities K (surface beyond 8 v^(2/3) of each part: hollows, ribs), support
        contact C, hollows H with openings of width w, narrow passages N, powder V: the cake, for recovery what no part fills
    stage : its name; sanding repeats the surface for each grade, times the material's f_m
    rate : t0 start_min, t1 per_part_min, ts per_cm2_min, tk per_cavity_cm2_min, th per_hollow_cm3_min, tn per_narrow_cm3_min, tc per_contact_cm2_min, tu
        per_support_min, tl per_litre_min, factors of difficulty f_d and process f_p, learning. Recovery mixes fresh
        powder in: per_fresh_litre_min for V f/(1 - f), f the fresh share of the mix

    Returns
    -------
    Terms in minutes.

    Notes
    -----
    L(m) is the time of m repeats over that of the first, so that the second part is done faster. What a station does
    alone (``automatic_share``) counts as minutes, not as a person's.

    References
    ----------
    Learning: T. P. Wright 1936. Minutes: common practice, no source.
    """
    factor = rate.get(f"{b.process.lower()}_factor", 1.0) * _difficulty(b, rate)
    each = repeats(b.parts, rate.get("learning", 1.0)) / b.parts
    grades = max(rate.get("grades", 1.0), 1.0) if stage == "sanding" else 1.0
    supported = (b.support_cm3 > 0) | (b.contact_cm2 > 0)
    common = {"factor": factor}
    ones = np.ones(len(b))

    def term(name: str, key: str, amount: np.ndarray, formula: str, **inputs: np.ndarray) -> Term:
        minutes = factor * rate.get(key, 0.0) * amount
        source = WRIGHT if "learned" in inputs else COMMON
        return Term(name, minutes, formula, {key: rate.get(key, 0.0), **inputs, **common}, source)

    lifted = np.zeros(len(b)) if stage == "unloading" and b.process == "PBF" else b.parts  # there the cake is, whole
    surface = grades * b.area_cm2 * each * (b.material["sanding_ratio"] if stage == "sanding" else 1.0)
    wide = np.maximum(b.hollows["hollow_opening_mm"], 1e-3)
    hollows = b.hollows["hollow_volume_cm3"] * np.maximum(WIDE_OPENING_MM / wide, 1.0)
    narrow = b.hollows["narrow_volume_cm3"]
    cavities = np.maximum(b.area_cm2 - SURFACE_SHAPE * np.cbrt(b.volume_cm3 / b.parts) ** 2 * b.parts, 0.0)
    powder = np.maximum(b.cake_cm3 - b.volume_cm3, 0.0) if stage == "powder_recovery" else b.cake_cm3
    litres = powder / 1000.0
    fresh = np.minimum(b.material["fresh_share"], 0.95) if b.process == "PBF" else ones * 0.0
    return [
        term("start", "start_min", ones, "factor x start"),
        term("parts", "per_part_min", lifted * each, "factor x first part x repeats", parts=lifted, learned=each),
        term("surface", "per_cm2_min", surface, "factor x surface x grades x repeats", surface_cm2=grades * b.area_cm2, learned=each),
        term("support contact", "per_contact_cm2_min", b.contact_cm2 * each, "factor x contact x repeats",
              contact_cm2=b.contact_cm2, learned=each),
        term("supports", "per_support_min", supported.astype(float), "factor x where there are supports"),
        term("powder", "per_litre_min", litres, "factor x litres", litres=litres),
        *_joined(
            term("cavities", "per_cavity_cm2_min", cavities * each, "factor x (surface of hollows and ribs + hollows x "
                  "10 mm / opening + narrow passages) x repeats", cavity_cm2=cavities, learned=each),
            term("", "per_hollow_cm3_min", hollows * each, "", hollow_cm3=b.hollows["hollow_volume_cm3"], opening_mm=wide),
            term("", "per_narrow_cm3_min", narrow * each, "", narrow_cm3=narrow),
        ),
        term("fresh powder", "per_fresh_litre_min", litres * fresh / (1.0 - fresh),
              "factor x litres x fresh share / (1 - fresh share)", litres=litres, fresh_share=fresh),
    ]  # fmt: skip


def _joined(first: Term, *others: Term) -> list[Term]:
    """Terms that are listed as one."""
    inputs = {name: value for term in (*others, first) for name, value in term.inputs.items()}
    return [Term(first.name, total([first, *others]), first.formula, inputs, first.source)]


def _difficulty(b: Builds, rate: Rate) -> np.ndarray:
    plain, intricate = rate.get("plain_factor", 1.0), rate.get("intricate_factor", 1.0)
    return np.select([b.difficulty == "plain", b.difficulty == "intricate"], [plain, intricate], 1.0)


def load_count(b: Builds, rate: Rate) -> np.ndarray:
    r"""Loads of a bath, chamber or oven.

    .. math::  n = \max(\lceil m / m_{load} \rceil, \lceil V / V_{load} \rceil, 1)

    Parameters
    ----------
    b : builds with m parts of volume V together
    rate : load_parts, load_cm3

    Returns
    -------
    Whole loads, shape (n,) [-].

    References
    ----------
    Arithmetic; capacities: common practice, no source.
    """
    by_parts = np.ceil(b.parts / rate.get("load_parts", np.inf))
    by_volume = np.ceil(b.volume_cm3 / rate.get("load_cm3", np.inf))
    return np.maximum(np.maximum(by_parts, by_volume), 1.0)


def load_terms(b: Builds, stage: str, rate: Rate) -> list[Term]:
    r"""Loads with a recipe; hands at the start and end of each.

    .. math::  t = n (t_{recipe} + t_{hands})

    Parameters
    ----------
    b : builds
    stage : material_drying takes the material's own time; support_dissolving adds thickness over rate; draining goes
        with the resin's viscosity, and adds what hollows take (``draining_min``)
    rate : recipe_min, hands_min, load_parts, load_cm3

    Returns
    -------
    Terms in minutes.

    References
    ----------
    Recipes: the shop's, or common practice, no source.
    """
    loads = load_count(b, rate)
    recipe = RECIPES.get(stage, _plain_recipe)(b, rate)
    terms = [Term("recipe", loads * recipe, "loads x recipe", {"loads": loads, "recipe_min": recipe})]
    if stage == "draining":
        terms.append(_emptying(b))
    if stage == "support_dissolving":
        thick = b.support_thick_mm
        minutes = loads * dissolving_min(thick, b.material["dissolve_mm_h"])
        inputs = {"thickness_mm": thick, "dissolve_mm_h": b.material["dissolve_mm_h"]}
        terms.append(Term("dissolving", minutes, "loads x thickness / 2 / rate", inputs))
    hands = rate.get("hands_min", 0.0)
    return [*terms, Term(HANDS, loads * hands, "loads x hands", {"loads": loads, "hands_min": hands})]


def dissolving_min(thickness_mm: np.ndarray, rate_mm_h: np.ndarray) -> np.ndarray:
    r"""Supports dissolve from both sides.

    .. math::  t = \frac{d}{2 r}

    Parameters
    ----------
    thickness_mm : greatest thickness d of the supports; where only their volume is known, its cube root [mm]
    rate_mm_h : r at the bath's concentration and temperature, > 0 [mm/h]; both broadcast

    Returns
    -------
    Time, shape of the broadcast arguments [min].

    Examples
    --------
    >>> float(dissolving_min(10.0, 2.5))
    120.0

    References
    ----------
    Constant rate of retreat; rate: common practice, no source.
    """
    minutes: np.ndarray = 60.0 * np.asarray(thickness_mm) / 2.0 / rate_mm_h
    return minutes


def _plain_recipe(b: Builds, rate: Rate) -> np.ndarray:
    return np.full(len(b), rate.get("recipe_min", 0.0))


def _material_drying(b: Builds, rate: Rate) -> np.ndarray:
    own = b.material["drying_min"]
    return np.where(own > 0, own, rate.get("recipe_min", 240.0))


def _emptying(b: Builds) -> Term:
    """Hollows run out side by side, the last one counts; what does not run out as it is built is turned, and runs again."""
    h = b.hollows
    viscosity = USUAL_PA_S * b.material["viscosity_ratio"]
    opening = h["drain_opening_mm"], h["drain_opening_mm2"]
    once = draining_min(h["drain_volume_cm3"], *opening, viscosity, b.material["density_g_cm3"])
    held = h["held_volume_cm3"] / np.maximum(h["hollow_volume_cm3"], 1e-9)
    inputs = {"hollow_cm3": h["drain_volume_cm3"], "opening_mm": opening[0], "opening_mm2": opening[1],
              "viscosity_pa_s": viscosity, "held_share": held, "once_min": once}  # fmt: skip
    return Term("hollows", once * (1.0 + held), "once x (1 + held share); once by the flow through the opening", inputs)


def _draining(b: Builds, rate: Rate) -> np.ndarray:
    return rate.get("recipe_min", 0.0) * b.material["viscosity_ratio"]


def draining_min(
    volume_cm3: np.ndarray, opening_mm: np.ndarray, opening_mm2: np.ndarray, viscosity_pa_s: np.ndarray,
    density_g_cm3: np.ndarray,
) -> np.ndarray:  # fmt: skip
    r"""Time in which a hollow runs empty through its openings, at the flow under a quarter of its height.

    .. math::  t = \frac{V}{n Q}, \quad \frac{\rho}{2} \left(\frac{4 Q}{C \pi w^2}\right)^2 + \frac{24 \mu Q}{w^3} =
               \rho g \frac{\sqrt[3]{V}}{4}, \quad n = \frac{4 A}{\pi w^2}

    Parameters
    ----------
    volume_cm3 : V of the hollow, as high as a cube [cm3]
    opening_mm, opening_mm2 : width w of its openings and their area A together, as so many round ones [mm], [mm2]
    viscosity_pa_s, density_g_cm3 : mu and rho of the resin [Pa s], [g/cm3]

    Returns
    -------
    Minutes, at most 120; 0 without a hollow. Shape of the arguments.

    Notes
    -----
    A quarter of the height gives the time of a prism that empties by Torricelli's law, and of a viscous liquid the time in
    which 98 % have run out. No wall is thinner than an orifice's: through a long hole it takes longer.

    Examples
    --------
    >>> float(draining_min(np.array(50.0), np.array(3.0), np.array(7.0686), np.array(0.5), np.array(1.15)).round(1))
    3.6

    References
    ----------
    Torricelli's law with a discharge coefficient (any text on fluid mechanics); slow flow through an orifice: R. A.
    Sampson, Phil. Trans. R. Soc. A 182 (1891) 449, from memory.
    """
    volume, width = np.asarray(volume_cm3) * 1e-6, np.asarray(opening_mm) * 1e-3
    bore = np.pi / 4.0 * width**2
    density = np.asarray(density_g_cm3) * 1000.0
    pressure = density * GRAVITY_M_S2 * np.cbrt(volume) / 4.0
    with np.errstate(divide="ignore", invalid="ignore"):
        slow, fast = 24.0 * viscosity_pa_s / width**3, 0.5 * density / (DISCHARGE * bore) ** 2
        flow = 2.0 * pressure / (slow + np.sqrt(slow**2 + 4.0 * fast * pressure))
        minutes = volume / (flow * np.asarray(opening_mm2) * 1e-6 / bore) / 60.0
    return np.where(volume > 0, np.fmin(minutes, LONGEST_MIN), 0.0)


RECIPES: dict[str, Callable[[Builds, Rate], np.ndarray]] = {
    "material_drying": _material_drying,
    "draining": _draining,
}
