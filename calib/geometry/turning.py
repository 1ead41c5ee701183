"""Which faces look the wrong way."""

from __future__ import annotations

import numpy as np

from calib.geometry.mesh import bounds_mm, volumes_mm3


def turned_alike(faces: np.ndarray) -> np.ndarray:
    """Faces to turn so that neighbours agree: in each connected piece the smaller party; shape (n,) of bool.

    faces : shape (n, 3), vertex numbers. A surface that cannot agree with itself (one-sided) keeps some disagreement.
    """
    one, two, disagree = _neighbours(faces)
    turn, piece = _spread(len(faces), one, two, disagree)
    pieces = int(piece.max(initial=-1)) + 1
    minority = 2 * np.bincount(piece, turn, pieces) > np.bincount(piece, minlength=pieces)
    return turn ^ minority[piece]


def _neighbours(faces: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of faces that share an edge with nobody else, and whether both run along it the same way."""
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    keys = (np.minimum(start, end).astype(np.int64) << 31) + np.maximum(start, end)
    order = np.argsort(keys, kind="stable")
    _, first, counts = np.unique(keys[order], return_index=True, return_counts=True)
    first = first[counts == 2]
    a, b = order[first], order[first + 1]
    return a // 3, b // 3, (start[a] < end[a]) == (start[b] < end[b])


def _spread(count: int, one: np.ndarray, two: np.ndarray, disagree: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Walk each connected piece breadth first from one face; returns (turned against it, number of the piece)."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order, connected_components

    links = csr_array((disagree + 1.0, (one, two)), shape=(count + 1, count + 1))
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
    return wrong[body]


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
