"""Which corners of a triangle soup are one vertex, which edges are one edge, which faces are one body.

Equal rows meet in a hash table, in a few passes over the rows and without a sort.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_MIX = (np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB))
_GOLDEN = 0x9E3779B97F4A7C15
_AT_ONCE = 32_768  # rows hashed together: they stay in the processor's cache
_NEAR = 8  # places for the edges of each vertex, so that memory is walked along the mesh
_NEAR_TRIALS = 2
MOST_FACES_AROUND = 100  # more round one vertex are not walked


def equal_rows(points: np.ndarray) -> np.ndarray:
    """For each row the number of one row, the same for all that are equal to it; shape (n,).

    points : shape (n, 3). Rows are compared by a 64-bit hash: two different ones of n distinct rows fall together with
        a chance of about n^2 / 2^65, one in ten million for a million.
    """
    return _equal(_hashed(np.ascontiguousarray(points, np.float64) + 0.0))  # + 0.0 turns -0.0 into 0.0


def _equal(keys: np.ndarray) -> np.ndarray:
    """All of one key write into one place of a table and read who was last; other keys there try again elsewhere."""
    equal = np.empty(len(keys), np.int32)
    left = np.arange(len(keys), dtype=np.int32)
    trial = 0
    while len(left):
        key = keys[left]
        place = places(key, trial, table_bits(len(left)))
        table = np.empty(1 << table_bits(len(left)), np.int32)
        table[place] = left
        last = table[place]
        same = keys[last] == key
        equal[left] = last
        left = left[~same]
        trial += 1
    return equal


def table_bits(rows: int) -> int:
    """Bits of a table of at least so many places."""
    return max(int(np.ceil(np.log2(max(rows, 1)))), 4)


def places(keys: np.ndarray, trial: int, bits: int) -> np.ndarray:
    """Place of each key, shape (n,), in a table of 2^bits, another at each trial; shape (n,)."""
    turned = keys * np.uint64(_GOLDEN * (2 * trial + 1) % 2**64)
    return (turned >> np.uint64(64 - bits)).astype(np.int64)


def _hashed(points: np.ndarray) -> np.ndarray:
    """64-bit hash of each row (the finaliser of the splitmix64 generator, once for each coordinate)."""
    bits = points.view(np.uint64)
    keys = np.empty(len(bits), np.uint64)
    for begin in range(0, len(bits), _AT_ONCE):
        rows = bits[begin : begin + _AT_ONCE]
        key = np.zeros(len(rows), np.uint64)
        for axis in range(3):
            key ^= rows[:, axis]
            key ^= key >> np.uint64(30)
            key *= _MIX[0]
            key ^= key >> np.uint64(27)
            key *= _MIX[1]
            key ^= key >> np.uint64(31)
        keys[begin : begin + _AT_ONCE] = key
    return keys


@dataclass(frozen=True, eq=False)
class Topology:
    """faces : shape (n, 3), of ``vertex_ids``; twins : shape (3 n,), of ``twin_half_edges``."""

    faces: np.ndarray
    twins: np.ndarray


def topology_of(triangles: np.ndarray) -> Topology:
    """Vertices and neighbours of triangles, shape (n, 3, 3)."""
    faces = vertex_ids(triangles)
    return Topology(faces, twin_half_edges(faces))


def vertex_ids(triangles: np.ndarray) -> np.ndarray:
    """Number of the vertex at each corner: equal coordinates, equal number.

    triangles : shape (n, 3, 3)
    Returns shape (n, 3), 0 .. vertices - 1.
    """
    return _numbered(equal_rows(triangles.reshape(-1, 3))).reshape(-1, 3)


def _numbered(one_of_each: np.ndarray) -> np.ndarray:
    """0, 1, 2 ... in place of the numbers of rows that stand for themselves and others."""
    heads = one_of_each == np.arange(len(one_of_each), dtype=np.int32)
    numbers: np.ndarray = (np.cumsum(heads, dtype=np.int32) - 1)[one_of_each]
    return numbers


def twin_half_edges(faces: np.ndarray) -> np.ndarray:
    """The half-edge that runs the other way along each half-edge, -1 where there is none.

    faces : shape (n, 3), vertex numbers
    Returns shape (3 n,): half-edge 3 f + j runs from corner j of face f to corner j + 1. A surface without -1 is
    closed and turned one way throughout: its volume by the divergence theorem has a meaning. Where more than two
    faces share an edge, the first of one direction is paired with the first of the other.
    """
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    twins = _twins_by_table(start, end)
    return _twins_by_rank(start, end) if twins is None else twins


def _twins_by_table(start: np.ndarray, end: np.ndarray) -> np.ndarray | None:
    """Half-edges that rise in number write into a table, those that fall look there; None if not all pair once."""
    rises = start < end
    ups, downs = np.flatnonzero(rises).astype(np.int32), np.flatnonzero(~rises).astype(np.int32)
    if len(ups) != len(downs):
        return None
    twins = np.full(len(start), -1, np.int32)
    vertices, trial = int(start.max(initial=-1)) + 1, 0
    while len(ups):
        low, high = start[ups], end[ups]
        table = np.zeros(_table_size(vertices, len(ups), trial), np.int32)
        table[_edge_places(low, high, trial, len(ups))] = np.arange(len(ups), dtype=np.int32)
        candidate = table[_edge_places(end[downs], start[downs], trial, len(ups))]
        same = (low[candidate] == end[downs]) & (high[candidate] == start[downs])
        up, down = ups[candidate[same]], downs[same]
        twins[up], twins[down] = down, up
        if not np.array_equal(twins[up], down) or (trial > _NEAR_TRIALS and not same.any()):
            return None
        ups, downs, trial = ups[twins[ups] < 0], downs[~same], trial + 1
    return twins


def _table_size(vertices: int, edges: int, trial: int) -> int:
    return vertices * _NEAR if trial < _NEAR_TRIALS else 1 << (table_bits(edges) + 1)


def _edge_places(low: np.ndarray, high: np.ndarray, trial: int, edges: int) -> np.ndarray:
    """Place of an edge in the table: beside its lower vertex at first, anywhere for what finds no room there."""
    if trial < _NEAR_TRIALS:
        return low.astype(np.int64) * _NEAR + ((high * np.int32(-1640531535) >> (26 - 3 * trial)) & (_NEAR - 1))
    return places((low.astype(np.uint64) << np.uint64(32)) | high.astype(np.uint64), trial, table_bits(edges) + 1)


def _twins_by_rank(start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Mates where edges are open or shared by several faces: k-th of one direction with the k-th of the other."""
    low, high = np.minimum(start, end).astype(np.int64), np.maximum(start, end)
    keys = ((low << 31) + high) * 2 + (start > end)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    starts = np.flatnonzero(new)
    rank = np.arange(len(keys)) - np.repeat(starts, np.diff(np.append(starts, len(keys))))
    new_edge = np.concatenate([[False], (ordered[1:] >> 1) != (ordered[:-1] >> 1)])
    numbered = np.cumsum(new_edge) * (int(rank.max()) + 1) + rank
    back = (ordered & 1).astype(bool)
    _, at_forth, at_back = np.intersect1d(numbered[~back], numbered[back], assume_unique=True, return_indices=True)
    twins = np.full(len(keys), -1, np.int32)
    forth_half, back_half = order[~back][at_forth], order[back][at_back]
    twins[forth_half], twins[back_half] = back_half, forth_half
    return twins


def welded_corners(triangles: np.ndarray, within_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Triangles, shape (n, 3, 3), whose corners closer than ``within_mm`` are one vertex, and their vertex numbers, (n, 3).

    Corners in one cell of a grid, or of one of the seven grids half a cell beside it, are joined.
    """
    points = triangles.reshape(-1, 3)
    cell = max(2 * within_mm, 1e-12)
    cells = [points / cell + 0.5 * np.array(offset) for offset in np.ndindex(2, 2, 2)]
    firsts = np.concatenate([equal_rows(np.floor(rows)) for rows in cells])
    first = joined(np.tile(np.arange(len(points), dtype=np.int32), len(cells)), firsts, len(points))
    return points[first].reshape(-1, 3, 3), _numbered(first).reshape(-1, 3)


def body_of_face(twins: np.ndarray) -> tuple[int, np.ndarray]:
    """Number of bodies (faces joined by edges), and the body of each face.

    twins : shape (3 n,), of ``twin_half_edges``
    """
    edge = np.flatnonzero(twins > np.arange(len(twins)))
    body = _numbered(joined((edge // 3).astype(np.int32), twins[edge] // 3, len(twins) // 3))
    return int(body.max(initial=-1)) + 1, body


def pinched_vertices(topology: Topology) -> np.ndarray:
    """Numbers of vertices at which surfaces touch that share no edge there, of open rims, and of very many faces; shape (m,).

    Walks round every vertex from face to face: where all its faces were met, the surface is simple there.
    """
    faces = topology.faces.reshape(-1)
    degree = np.bincount(faces)
    home = np.empty(len(degree), np.int32)
    home[faces] = np.arange(len(faces), dtype=np.int32)  # one corner of each vertex
    around = topology.twins + np.where(topology.twins % 3 == 2, np.int32(-2), np.int32(1))  # same corner, next face
    half_edge, vertex, pinched = around[home], np.arange(len(degree)), np.zeros(len(degree), bool)
    pinched[topology.faces[topology.twins.reshape(-1, 3) < 0]] = True
    for steps in range(1, MOST_FACES_AROUND):
        back = half_edge == home[vertex]
        pinched[vertex[back]] |= degree[vertex[back]] != steps
        going = ~back & ~pinched[vertex]
        half_edge, vertex = around[half_edge[going]], vertex[going]
        if not len(vertex):
            break
    pinched[vertex] = True
    return np.flatnonzero(pinched)


def joined(first: np.ndarray, second: np.ndarray, count: int) -> np.ndarray:
    """Lowest number of the group that each of 0 .. count - 1 belongs to, where ``first`` and ``second`` are linked.

    first, second : shape (m,), of int32
    """
    lowest = np.arange(count, dtype=np.int32)
    while len(first):
        first, second = lowest[first], lowest[second]
        apart = first != second
        first, second = np.minimum(first[apart], second[apart]), np.maximum(first[apart], second[apart])
        np.minimum.at(lowest, second, first)
        lowest = _followed(lowest)
    return lowest


def _followed(lowest: np.ndarray) -> np.ndarray:
    while True:
        further = lowest[lowest]
        if np.array_equal(further, lowest):
            return lowest
        lowest = further
