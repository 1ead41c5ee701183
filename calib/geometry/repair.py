"""Faults of a surface: each is reported, and repaired where that is safe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.geometry.mesh import bounds_mm, face_areas_mm2, signed_volume_mm3, volumes_mm3
from calib.geometry.rays import vertical_rays
from calib.geometry.solid_kernel import united
from calib.geometry.topology import Topology, body_of_face, topology_of, twin_half_edges, vertex_ids, welded_corners

WELD_SHARE = 1e-6  # corners closer than this share of the part's size are one corner, where a surface is open
GREATEST_HOLE_SHARE = 0.10  # holes of more than this share of the surface are not closed: what was meant is unknown
RAYS = 16_384  # vertical rays that look for overlaps
LEAST_OVERLAP_SHARE = 1e-4  # of the volume: less may be rounding
MAX_HOLES = 1000


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
    """Check a surface and repair what is safe: doubled faces, turned faces, small holes, overlapping bodies.

    triangles : shape (n, 3, 3) [mm]
    """
    notes: list[str] = []
    triangles, topology = _joined(triangles, notes)
    if len(triangles) == 0:
        notes.append("Every face has lost its area: the surface encloses no volume.")
        return Healed(triangles, topology, 0, False, float("nan"), tuple(notes))
    is_open = bool((topology.twins < 0).any())
    watertight = not is_open or _every_edge_shared(topology.faces)
    bodies, body = body_of_face(topology.twins)
    if is_open:
        triangles, topology = _mended(triangles, topology, notes)
        bodies, body = body_of_face(topology.twins)
        if (topology.twins < 0).any():
            return Healed(triangles, topology, bodies, watertight, float("nan"), tuple(notes))
    triangles, topology = _outwards(triangles, topology, body, bodies, notes)
    volume = signed_volume_mm3(triangles)
    if volume > 1e-9 * _box_mm3(triangles):
        triangles, topology, volume = _without_overlaps(triangles, topology, volume, notes)
    else:
        notes.append("The surface encloses no volume (zero thickness, or as much inside out as outside in).")
        volume = float("nan")
    return Healed(triangles, topology, bodies, watertight, volume, tuple(notes))


def _joined(triangles: np.ndarray, notes: list[str]) -> tuple[np.ndarray, Topology]:
    """Faces by vertex number, without those that have no area; corners welded only where the surface is open."""
    triangles, faces = _with_area(triangles, vertex_ids(triangles))
    topology = Topology(faces, twin_half_edges(faces))
    if len(triangles) == 0 or not (topology.twins < 0).any():
        return triangles, topology
    step = WELD_SHARE * float(np.ptp(bounds_mm(triangles), axis=0).max())
    welded, welded_faces = _with_area(*welded_corners(triangles, step))
    twins = twin_half_edges(welded_faces)
    if len(welded) and (twins < 0).sum() < (topology.twins < 0).sum():
        notes.append(f"Corners closer than {step:.1g} mm were joined.")
        return welded, Topology(welded_faces, twins)
    return triangles, topology


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


def _mended(triangles: np.ndarray, topology: Topology, notes: list[str]) -> tuple[np.ndarray, Topology]:
    """Doubled faces dropped, faces turned alike, holes closed where they are a small share of the surface."""
    faces = topology.faces
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
    topology = Topology(faces, twin_half_edges(faces))
    return _closed(triangles, topology, notes) if (topology.twins < 0).any() else (triangles, topology)


def _closed(triangles: np.ndarray, topology: Topology, notes: list[str]) -> tuple[np.ndarray, Topology]:
    patch, holes = fill_holes(triangles, topology.faces, topology.twins)
    surface = face_areas_mm2(triangles).sum()
    share = face_areas_mm2(patch).sum() / surface if surface > 0 else np.inf
    word = "1 hole" if holes == 1 else f"{holes} holes"
    if patch.size == 0 or not share <= GREATEST_HOLE_SHARE:
        extent = f"closing it takes {share:.0%} of its surface" if patch.size else "its edges form no closed loops"
        notes.append(
            f"The surface is open ({int((topology.twins < 0).sum())} edges have one face only; {extent}): it has no volume."
        )
        return triangles, topology
    whole = np.concatenate([triangles, patch])
    closed = topology_of(whole)
    if (closed.twins < 0).any():
        notes.append("The surface is open, and its holes cannot be closed: it has no volume.")
        return triangles, topology
    after = signed_volume_mm3(whole)
    notes.append(
        f"The surface is open: {word} closed, {share:.1%} of its surface. The volume is "
        f"{abs(after) / 1000:.4g} cm3; reckoned from the open surface it would depend on where the part lies."
    )
    return whole, closed


def _outwards(
    triangles: np.ndarray, topology: Topology, body: np.ndarray, bodies: int, notes: list[str]
) -> tuple[np.ndarray, Topology]:
    inside_out = turned_outwards(triangles, body, bodies)
    if not inside_out.any():
        return triangles, topology
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
    triangles: np.ndarray, topology: Topology, volume: float, notes: list[str]
) -> tuple[np.ndarray, Topology, float]:
    """Space that is enclosed twice, or inside out, is one solid: united where the rays find such space."""
    doubled = _doubled_mm3(triangles)
    if doubled <= LEAST_OVERLAP_SHARE * volume:
        return triangles, topology, volume
    whole = united(triangles)
    if whole is None or _doubled_mm3(whole) > LEAST_OVERLAP_SHARE * volume:
        notes.append(
            f"The surface crosses itself: about {doubled / 1000:.3g} of its {volume / 1000:.4g} cm3 count more than "
            "once, and it cannot be united. It has no sure volume."
        )
        return triangles, topology, float("nan")
    once = signed_volume_mm3(whole)
    notes.append(
        f"Bodies overlap or cross themselves; united. The volume is {once / 1000:.4g} cm3 "
        f"instead of {volume / 1000:.4g} cm3."
    )
    return whole, topology_of(whole), once


def _doubled_mm3(triangles: np.ndarray) -> float:
    """Space that counts more than once, or less than not at all, as vertical rays find it [mm3]."""
    rays = vertical_rays(triangles, RAYS)
    depth, gap = rays.depth(), rays.gap_above()
    return float((gap * np.abs(depth - np.clip(depth, 0, 1))).sum()) * rays.cell_mm2


def _box_mm3(triangles: np.ndarray) -> float:
    return float(np.prod(np.ptp(bounds_mm(triangles), axis=0)))


def fill_holes(triangles: np.ndarray, faces: np.ndarray, twins: np.ndarray) -> tuple[np.ndarray, int]:
    """A patch for each loop of open edges, spread from the middle of the loop, turned as the surface around it.

    Returns triangles, shape (m, 3, 3) [mm], and the number of loops; no triangles where the open edges form no simple
    loops or more than 1000. Exact where the rim is flat and seen whole from its middle; a guess elsewhere.
    """
    half = np.flatnonzero(twins < 0)
    start = faces[half // 3, half % 3]
    end = faces[half // 3, (half + 1) % 3]
    point = dict(zip(start.tolist(), triangles[half // 3, half % 3], strict=True))
    loops = _loops(dict(zip(start.tolist(), end.tolist(), strict=True)))
    if len(point) < len(half) or loops is None or len(loops) > MAX_HOLES:
        return np.zeros((0, 3, 3)), 0
    return np.concatenate([_patch(np.array([point[vertex] for vertex in loop])) for loop in loops]), len(loops)


def _loops(following: dict[int, int]) -> list[list[int]] | None:
    loops, left = [], dict(following)
    while left:
        first, vertex = left.popitem()
        loop = [first]
        while vertex != first:
            loop.append(vertex)
            if vertex not in left:
                return None
            vertex = left.pop(vertex)
        loops.append(loop)
    return loops


def _patch(rim: np.ndarray) -> np.ndarray:
    """Triangles that close a rim, which runs along the faces beside it, so that the patch runs against it."""
    if len(rim) == 3:
        return rim[None, ::-1]
    middle = np.broadcast_to(rim.mean(axis=0), rim.shape)
    return np.stack([np.roll(rim, -1, axis=0), rim, middle], axis=1)


def turned_alike(faces: np.ndarray) -> np.ndarray:
    """Faces to turn so that neighbours agree: in each connected piece the smaller party; shape (n,) of bool.

    faces : shape (n, 3), vertex numbers. A surface that cannot agree with itself (one-sided) keeps some disagreement.
    """
    first, second, disagree = _neighbours(faces)
    turn, piece = _spread(len(faces), first, second, disagree)
    pieces = int(piece.max(initial=-1)) + 1
    minority = 2 * np.bincount(piece, turn, pieces) > np.bincount(piece, minlength=pieces)
    to_turn: np.ndarray = turn ^ minority[piece]
    return to_turn


def _neighbours(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of faces that share an edge with no third face, and whether both run along it the same way."""
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    keys = (np.minimum(start, end).astype(np.int64) << 31) + np.maximum(start, end)
    order = np.argsort(keys, kind="stable")
    _, first, counts = np.unique(keys[order], return_index=True, return_counts=True)
    first = first[counts == 2]
    a, b = order[first], order[first + 1]
    return a // 3, b // 3, (start[a] < end[a]) == (start[b] < end[b])


def _spread(count: int, first: np.ndarray, second: np.ndarray, disagree: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Walk each connected piece breadth first from one face; returns (turned against it, number of the piece)."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order, connected_components

    links = csr_array((disagree + 1.0, (first, second)), shape=(count + 1, count + 1))
    pieces, piece = connected_components(links[:count, :count], directed=False)
    heads = np.unique(piece, return_index=True)[1]  # one face of each piece, joined to an added root
    rooted = links + csr_array((np.ones(pieces), (np.full(pieces, count), heads)), shape=links.shape)
    rooted = (rooted + rooted.T).tocsr()
    order, parent = breadth_first_order(rooted, count, directed=False)
    turn = np.zeros(count + 1, bool)
    differs = np.asarray(rooted[order[1:], parent[order[1:]]]).reshape(-1) > 1.5
    for face, above, other in zip(order[1:].tolist(), parent[order[1:]].tolist(), differs.tolist(), strict=True):
        turn[face] = turn[above] ^ other
    return turn[:count], piece


def turned_outwards(triangles: np.ndarray, body: np.ndarray, bodies: int) -> np.ndarray:
    """Faces of bodies that are inside out, shape (n,) of bool.

    A body within an even number of others is solid, within an odd number a hollow; its faces must look accordingly.
    Where the whole file is inside out, so that only its hollows look outwards, all are turned.
    """
    volumes = np.bincount(body, volumes_mm3(triangles), bodies)
    wrong = volumes < 0
    if not wrong.any():
        return np.zeros(len(triangles), bool)
    order = np.argsort(body, kind="stable")
    of_body = np.split(triangles[order], np.searchsorted(body[order], np.arange(1, bodies)))
    rest = np.flatnonzero(~wrong)
    if volumes.sum() < 0 and len(rest) and all(_within(of_body, int(number)) % 2 for number in rest):
        return np.ones(len(triangles), bool)
    for number in np.flatnonzero(wrong):
        wrong[number] = _within(of_body, int(number)) % 2 == 0
    faces: np.ndarray = wrong[body]
    return faces


def _within(of_body: list[np.ndarray], number: int) -> int:
    """In how many other bodies the first corner of a body lies."""
    point = of_body[number][0].mean(axis=0)
    count = 0
    for other, triangles in enumerate(of_body):
        low, high = bounds_mm(triangles)
        if other != number and (low <= point).all() and (point <= high).all():
            count += abs(_winding(triangles, point)) > 0.5
    return count


def _winding(triangles: np.ndarray, point: np.ndarray) -> float:
    """How often a closed surface goes round a point: its solid angle over 4 pi (Van Oosterom and Strackee 1983,
    IEEE Trans. Biomed. Eng. 30:125-126; formula from memory)."""
    a, b, c = np.moveaxis(triangles - point, 1, 0)
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    over = np.einsum("ij,ij->i", a, np.cross(b, c))
    under = la * lb * lc + np.einsum("ij,ij->i", a, b) * lc
    under += np.einsum("ij,ij->i", b, c) * la + np.einsum("ij,ij->i", c, a) * lb
    return float(np.arctan2(over, under).sum() / (2 * np.pi))
