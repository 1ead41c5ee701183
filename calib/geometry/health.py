"""Is a surface closed, turned outwards, free of overlaps? What is wrong is said, and repaired where that is safe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.geometry.columns import columns
from calib.geometry.holes import fill_holes
from calib.geometry.mesh import bounds_mm, face_areas_mm2, signed_volume_mm3
from calib.geometry.topology import Topology, body_of_face, edge_mates, topology_of, vertex_ids, welded_corners
from calib.geometry.turning import turned_alike, turned_outwards
from calib.geometry.union import united

WELD_SHARE = 1e-6  # corners closer than this share of the part's size are one corner, where a surface is open
GREATEST_HOLE_SHARE = 0.10  # holes of more than this share of the surface are not closed: what was meant is unknown
LINES = 16_384  # upright lines that look for overlaps
LEAST_OVERLAP_SHARE = 1e-4  # of the volume: less is not told from rounding


@dataclass(frozen=True, eq=False)
class Healed:
    """triangles, topology : after repair; bodies, watertight : as found; volume_mm3 : nan where meaningless."""

    triangles: np.ndarray
    topology: Topology
    bodies: int
    watertight: bool
    volume_mm3: float
    notes: tuple[str, ...]


def heal(triangles: np.ndarray) -> Healed:
    """Check a surface and repair what is safe: doubled faces, turned faces, small holes, overlapping bodies."""
    notes: list[str] = []
    triangles, found = _joined(triangles, notes)
    if len(triangles) == 0:
        notes.append("Every face has lost its area: the surface encloses no volume.")
        return Healed(triangles, found, 0, False, float("nan"), tuple(notes))
    is_open = bool((found.mates < 0).any())
    watertight = not is_open or _every_edge_shared(found.faces)
    bodies, body = body_of_face(found.mates)
    if is_open:
        triangles, found = _mended(triangles, found, notes)
        bodies, body = body_of_face(found.mates)
        if (found.mates < 0).any():
            return Healed(triangles, found, bodies, watertight, float("nan"), tuple(notes))
    triangles, found = _outwards(triangles, found, body, bodies, notes)
    volume = signed_volume_mm3(triangles)
    if volume > 1e-9 * _box_mm3(triangles):
        triangles, found, volume = _without_overlaps(triangles, found, volume, notes)
    else:
        notes.append("The surface encloses no volume (zero thickness, or as much inside out as outside in).")
        volume = float("nan")
    return Healed(triangles, found, bodies, watertight, volume, tuple(notes))


def _joined(triangles: np.ndarray, notes: list[str]) -> tuple[np.ndarray, Topology]:
    """Faces by vertex number, without those that have no area; corners welded only where the surface is open."""
    triangles, faces = _with_area(triangles, vertex_ids(triangles))
    found = Topology(faces, edge_mates(faces))
    if len(triangles) == 0 or not (found.mates < 0).any():
        return triangles, found
    step = WELD_SHARE * float(np.ptp(bounds_mm(triangles), axis=0).max())
    welded, welded_faces = _with_area(*welded_corners(triangles, step))
    mates = edge_mates(welded_faces)
    if len(welded) and (mates < 0).sum() < (found.mates < 0).sum():
        notes.append(f"Corners closer than {step:.1g} mm were joined.")
        return welded, Topology(welded_faces, mates)
    return triangles, found


def _with_area(triangles: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Without faces that name one vertex twice: their edges cancel."""
    a, b, c = faces.T
    keep = (a != b) & (b != c) & (c != a)
    return (triangles, faces) if keep.all() else (triangles[keep], faces[keep])


def _every_edge_shared(faces: np.ndarray) -> bool:
    """Closed, whichever way the faces are turned: an even number of faces at every edge."""
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    keys = (np.minimum(start, end).astype(np.int64) << 31) + np.maximum(start, end)
    _, counts = np.unique(keys, return_counts=True)
    return len(faces) > 0 and bool((counts % 2 == 0).all())


def _mended(triangles: np.ndarray, found: Topology, notes: list[str]) -> tuple[np.ndarray, Topology]:
    """Doubled faces dropped, faces turned alike, holes closed where they are a small share of the surface."""
    faces = found.faces
    _, first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    if len(first) < len(faces):
        notes.append(f"{len(faces) - len(first)} faces were there twice; one of each was kept.")
        first.sort()
        triangles, faces = triangles[first], faces[first]
    turned = turned_alike(faces)
    if turned.any():
        notes.append(
            f"{int(turned.sum())} of {len(faces)} faces were turned the other way than their neighbours; turned back."
        )
        triangles, faces = triangles.copy(), faces.copy()
        triangles[turned], faces[turned] = triangles[turned][:, ::-1], faces[turned][:, ::-1]
    found = Topology(faces, edge_mates(faces))
    return _closed(triangles, found, notes) if (found.mates < 0).any() else (triangles, found)


def _closed(triangles: np.ndarray, found: Topology, notes: list[str]) -> tuple[np.ndarray, Topology]:
    patch, holes = fill_holes(triangles, found.faces, found.mates)
    surface = face_areas_mm2(triangles).sum()
    share = face_areas_mm2(patch).sum() / surface if surface > 0 else np.inf
    word = "1 hole" if holes == 1 else f"{holes} holes"
    if patch.size == 0 or not share <= GREATEST_HOLE_SHARE:
        extent = f"closing it takes {share:.0%} of its surface" if patch.size else "its edges form no closed loops"
        notes.append(
            f"The surface is open ({int((found.mates < 0).sum())} edges have one face only; {extent}): it has no volume."
        )
        return triangles, found
    whole = np.concatenate([triangles, patch])
    closed = topology_of(whole)
    if (closed.mates < 0).any():
        notes.append("The surface is open, and its holes cannot be closed: it has no volume.")
        return triangles, found
    after = signed_volume_mm3(whole)
    notes.append(
        f"The surface is open: {word} closed, {share:.1%} of its surface. The volume is "
        f"{abs(after) / 1000:.4g} cm3; reckoned from the open surface it would depend on where the part lies."
    )
    return whole, closed


def _outwards(
    triangles: np.ndarray, found: Topology, body: np.ndarray, bodies: int, notes: list[str]
) -> tuple[np.ndarray, Topology]:
    inside_out = turned_outwards(triangles, body, bodies)
    if not inside_out.any():
        return triangles, found
    before = signed_volume_mm3(triangles)
    triangles = triangles.copy()
    triangles[inside_out] = triangles[inside_out][:, ::-1]
    after = signed_volume_mm3(triangles)
    count = len(np.unique(body[inside_out]))
    which = "The surface was" if bodies == 1 else f"{count} of {bodies} bodies were"
    notes.append(
        f"{which} inside out; turned outwards. The volume is {after / 1000:.4g} cm3 instead of {before / 1000:.4g} cm3."
    )
    return triangles, topology_of(triangles)


def _without_overlaps(
    triangles: np.ndarray, found: Topology, volume: float, notes: list[str]
) -> tuple[np.ndarray, Topology, float]:
    """Space that is enclosed twice, or inside out, is one solid: united where the lines find such space."""
    doubled = _doubled_mm3(triangles)
    if doubled <= LEAST_OVERLAP_SHARE * volume:
        return triangles, found, volume
    whole = united(triangles)
    if whole is None or _doubled_mm3(whole) > LEAST_OVERLAP_SHARE * volume:
        notes.append(
            f"The surface crosses itself: about {doubled / 1000:.3g} of its {volume / 1000:.4g} cm3 count more than "
            "once, and it cannot be united. It has no sure volume."
        )
        return triangles, found, float("nan")
    once = signed_volume_mm3(whole)
    notes.append(
        f"Bodies overlap or cross themselves; united. The volume is {once / 1000:.4g} cm3 "
        f"instead of {volume / 1000:.4g} cm3."
    )
    return whole, topology_of(whole), once


def _doubled_mm3(triangles: np.ndarray) -> float:
    """Space that counts more than once, or less than not at all, as upright lines find it [mm3]."""
    lines = columns(triangles, LINES)
    depth, gap = lines.depth(), lines.gap_above()
    return float((gap * np.abs(depth - np.clip(depth, 0, 1))).sum()) * lines.cell_mm2


def _box_mm3(triangles: np.ndarray) -> float:
    return float(np.prod(np.ptp(bounds_mm(triangles), axis=0)))
