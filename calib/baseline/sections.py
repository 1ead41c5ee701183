"""Layers of a whole build as a layer-wise process meets them: from a profile each layer, else one mean layer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.baseline.build_inputs import Builds
from calib.records import LayerProfile

# Where no profile is known: common practice, no source.
CONTOURS_PER_PART = 1.4
LEAST_CONTACT_CM2 = 1e-4  # of supports: no tip is finer than a tenth of a millimetre
CORNERS_PER_CONTOUR = 6.0
PART_HEIGHT = 1.2  # height of a part over the cube root of its volume, where parts lie one over another


@dataclass(frozen=True, eq=False)
class Sections:
    """Layers, all parts of the build together; arrays of one shape.

    layers : how many layers are like this one [-]
    area_mm2, perimeter_mm : of the section
    contours, corners : closed loops, and corners as so many right angles [-]
    line_width_mm : sum of |e . n|/2 over the contour's edges: over the spacing it is the number of fill lines [mm]
    up_mm2, down_mm2 : surface that faces up or down and lies at this layer
    support_mm2 : section of the supports; supported : share of such layers that hold supports [0..1]
    """

    layers: np.ndarray
    area_mm2: np.ndarray
    perimeter_mm: np.ndarray
    contours: np.ndarray
    corners: np.ndarray
    line_width_mm: np.ndarray
    up_mm2: np.ndarray
    down_mm2: np.ndarray
    support_mm2: np.ndarray
    supported: np.ndarray


def mean_sections(b: Builds) -> Sections:
    r"""One mean layer for each build, shape (n,); exact for prisms, close for most.

    .. math::  A = V / H, \quad P = \max\left((S - 2 V / H) / H,\; 2 \sqrt{\pi A m}\right), \quad W = P / \pi

    Parameters
    ----------
    b : volume V, surface S and height H of the builds; m parts in a layer

    Returns
    -------
    Sections with area A, perimeter P and line width W.

    References
    ----------
    Prism with the same volume, surface and height; isoperimetric inequality as the least perimeter; W is the mean over
    all directions (Cauchy-Crofton). In a powder cake parts lie at any angle: P = (pi / 4) S / H.
    """
    layers = b.height_mm / b.layer_mm
    area = 1000.0 * b.volume_cm3 / b.height_mm
    surface = 100.0 * b.area_cm2
    part_height = PART_HEIGHT * np.cbrt(1000.0 * b.volume_cm3 / b.parts)
    in_a_layer = b.parts * np.minimum(part_height / b.height_mm, 1.0) if b.kind == "laser_bed" else b.parts
    roundest = 2.0 * np.sqrt(np.pi * area * in_a_layer)
    sides = np.pi / 4.0 * surface if b.kind == "laser_bed" else surface - 2.0 * area
    perimeter = np.maximum(sides / b.height_mm, roundest)
    contours = CONTOURS_PER_PART * in_a_layer
    flat = np.maximum(surface - perimeter * b.height_mm, 2.0 * area)
    return Sections(
        layers=layers,
        area_mm2=area,
        perimeter_mm=perimeter,
        contours=contours,
        corners=CORNERS_PER_CONTOUR * contours,
        line_width_mm=perimeter / np.pi,
        up_mm2=0.5 * flat / layers,
        down_mm2=0.5 * flat / layers,
        support_mm2=1000.0 * b.support_cm3 / b.height_mm,
        supported=supported_share(b),
    )


def supported_share(b: Builds) -> np.ndarray:
    """Share of a build's layers that hold supports, where only their volume and contact are known, shape (n,) [0..1].

    They reach, on the mean, as high as volume over contact; everywhere where no contact is known.
    """
    reach_mm = 10.0 * b.support_cm3 / np.maximum(np.where(b.contact_cm2 > 0, b.contact_cm2, np.nan), LEAST_CONTACT_CM2)
    share = np.clip(np.nan_to_num(reach_mm / b.height_mm, nan=1.0), 0.0, 1.0)
    return np.asarray(np.where(b.support_cm3 > 0, share, 0.0))


def profile_sections(p: LayerProfile, parts: float, layer_mm: float, support_cm3: float) -> Sections:
    """Every layer of a profile, for so many copies side by side; shape (layers of the profile,).

    Supports stand where the profile has them, else in every layer, as much of them as the build's row says.
    A build with other layers than the profile's counts each as profile layer / build layer layers.
    """
    repeat = p.layer_mm / layer_mm
    where = np.ones(len(p.z_mm)) if p.support_mm2 is None or not p.support_mm2.any() else p.support_mm2
    support = 1000.0 * support_cm3 * where / (where.sum() * p.layer_mm)
    return Sections(
        layers=np.full(len(p.z_mm), repeat),
        area_mm2=parts * p.area_mm2,
        perimeter_mm=parts * p.perimeter_mm,
        contours=parts * p.contours.astype(float),
        corners=parts * p.corners.astype(float),
        line_width_mm=parts * p.line_width_mm.mean(axis=1),
        up_mm2=parts * p.up_skin_mm2 / repeat,
        down_mm2=parts * p.down_skin_mm2 / repeat,
        support_mm2=support,
        supported=(support > 0).astype(float),
    )


def repeated(s: Sections, times: np.ndarray) -> Sections:
    """The same builds as so many equal smaller ones each, one after another; times and the sections : shape (n,)."""
    fields = {name: values / times for name, values in vars(s).items() if name not in ("layers", "supported")}
    return Sections(layers=s.layers * times, supported=s.supported, **fields)


def averaged(b: Builds) -> Sections:
    """One mean layer for each build, from its profile where it has one: enough for what is linear in the section."""
    mean = mean_sections(b)
    fields = {name: np.array(values, float) for name, values in vars(mean).items()}
    known: dict[int, dict[str, float]] = {}
    for place in np.flatnonzero(b.basis == "profile"):
        profile = b.profile[place]
        if id(profile) not in known:
            known[id(profile)] = _sums(profile)
        for name, value in known[id(profile)].items():
            fields[name][place] = b.parts[place] * value / b.height_mm[place]
    return Sections(**fields)


def _sums(p: LayerProfile) -> dict[str, float]:
    """Sums over height of one part: divided by the build's height they are its mean."""
    return {
        "area_mm2": float(p.area_mm2.sum() * p.layer_mm),
        "perimeter_mm": float(p.perimeter_mm.sum() * p.layer_mm),
        "contours": float(p.contours.sum() * p.layer_mm),
        "corners": float(p.corners.sum() * p.layer_mm),
        "line_width_mm": float(p.line_width_mm.mean(axis=1).sum() * p.layer_mm),
    }
