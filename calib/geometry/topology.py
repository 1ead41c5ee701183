"""Which corners of a triangle soup are one vertex, which edges are one edge, which faces are one body."""

from __future__ import annotations

import numpy as np

_MIX = (np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB))


def vertex_ids(triangles: np.ndarray) -> np.ndarray:
    """Number of the vertex at each corner: equal coordinates, equal number.

    triangles : shape (n, 3, 3)
    Returns shape (n, 3), 0 .. vertices - 1. Coordinates are compared by a 64-bit hash: two different vertices fall
    together with a chance of about n^2 / 2^65, one in ten million for a million faces.
    """
    keys = _hashed(triangles.reshape(-1, 3) + 0.0)  # + 0.0 turns -0.0 into 0.0
    order = np.argsort(keys)
    ordered = keys[order]
    number = np.empty(len(keys), np.int64)
    number[order] = np.cumsum(np.concatenate([[False], ordered[1:] != ordered[:-1]])) if len(keys) else 0
    return number.reshape(-1, 3)


def edge_mates(faces: np.ndarray) -> np.ndarray:
    """The half-edge that runs the other way along each half-edge, -1 where there is none.

    faces : shape (n, 3), vertex numbers
    Returns shape (3 n,): half-edge 3 f + j runs from corner j of face f to corner j + 1. A surface without -1 is
    closed and turned one way throughout: its volume by the divergence theorem has a meaning. Where more than two
    faces share an edge, the first of one direction is paired with the first of the other.
    """
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    low, high = np.minimum(start, end), np.maximum(start, end)
    vertices = int(faces.max()) + 1 if len(faces) else 0
    keys = (low * vertices + high) * 2 + (start > end)
    order = np.argsort(keys)
    pairs = keys[order]
    if len(pairs) % 2 == 0 and _each_key_once_each_way(pairs):
        mates = np.empty(len(keys), np.int64)
        mates[order[0::2]], mates[order[1::2]] = order[1::2], order[0::2]
        return mates
    return _mates_by_rank(keys)


def welded_corners(triangles: np.ndarray, within_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Triangles whose corners closer than ``within_mm`` are one vertex, and their vertex numbers.

    Corners in one cell of a grid, or of one of the seven grids half a cell beside it, are joined.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    points = triangles.reshape(-1, 3)
    cell = max(2 * within_mm, 1e-12)
    count = len(points)
    one: list[np.ndarray] = []
    for offset in np.ndindex(2, 2, 2):
        cells = vertex_ids(np.floor(points / cell + 0.5 * np.array(offset)).reshape(-1, 3, 3)).reshape(-1)
        one.append(np.unique(cells, return_index=True)[1][cells])  # the first corner of each cell
    links = (np.ones(8 * count, bool), (np.tile(np.arange(count), 8), np.concatenate(one)))
    _, number = connected_components(csr_array(links, shape=(count, count)), directed=False)
    first = np.unique(number, return_index=True)[1]
    return points[first][number].reshape(-1, 3, 3), number.astype(np.int64).reshape(-1, 3)


def _each_key_once_each_way(ordered: np.ndarray) -> bool:
    forth, back = ordered[0::2], ordered[1::2]
    return bool(np.all(forth % 2 == 0) and np.all(back == forth + 1) and np.all(forth[1:] > back[:-1]))


def _mates_by_rank(keys: np.ndarray) -> np.ndarray:
    """Mates where edges are open or shared by several faces: k-th of one direction with the k-th of the other."""
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    starts = np.flatnonzero(new)
    rank = np.arange(len(keys)) - np.repeat(starts, np.diff(np.append(starts, len(keys))))
    numbered = (ordered >> 1) * (int(rank.max()) + 1) + rank
    back = (ordered & 1).astype(bool)
    _, at_forth, at_back = np.intersect1d(numbered[~back], numbered[back], assume_unique=True, return_indices=True)
    mates = np.full(len(keys), -1, np.int64)
    forth_half, back_half = order[~back][at_forth], order[back][at_back]
    mates[forth_half], mates[back_half] = back_half, forth_half
    return mates


def body_of_face(mates: np.ndarray) -> tuple[int, np.ndarray]:
    """Number of bodies (faces joined by edges), and the body of each face.

    mates : shape (3 n,), of ``edge_mates``
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    half = np.flatnonzero(mates >= 0)
    faces = len(mates) // 3
    links = csr_array((np.ones(len(half), bool), (half // 3, mates[half] // 3)), shape=(faces, faces))
    count, label = connected_components(links, directed=False)
    return int(count), label


def _hashed(points: np.ndarray) -> np.ndarray:
    """64-bit hash of each row of coordinates (the finaliser of the splitmix64 generator, once for each coordinate)."""
    bits = np.ascontiguousarray(points, np.float64).view(np.uint64)
    key = np.zeros(len(bits), np.uint64)
    for axis in range(3):
        key ^= bits[:, axis]
        key ^= key >> np.uint64(30)
        key *= _MIX[0]
        key ^= key >> np.uint64(27)
        key *= _MIX[1]
        key ^= key >> np.uint64(31)
    return key
