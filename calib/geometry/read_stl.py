"""STL, binary and text, as one record read: no mesh library, which takes seconds to start."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from calib.errors import MeshError

PIECE_BYTES = 4 * 1024**2
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_NUMBER = rb"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?|[-+]?(?:nan|inf(?:inity)?)"
_VERTEX = re.compile(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)
_OUTSIDE = re.compile(rb"\bfacet\s+normal\b", re.IGNORECASE)


def read_stl(data: bytes, name: str, max_faces: int) -> np.ndarray:
    """Corners of the facets, shape (n, 3, 3), in the file's own unit.

    A file is binary where its size fits its count of facets (80 byte header, count, 50 bytes a facet), whatever its
    first word. Raises a MeshError where it is cut short, holds no numbers where coordinates belong, or too many facets.
    """
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else -1
    if count >= 0 and len(data) == 84 + 50 * count:
        return _binary(data, name, count, max_faces)
    if _looks_like_text(data):
        return _text(data, name, max_faces)
    if count >= 0 and len(data) > 84 + 50 * count and count > 0:  # some writers pad the end
        return _binary(data, name, count, max_faces)
    raise _cut_short(data, name, count)


def _binary(data: bytes, name: str, count: int, max_faces: int) -> np.ndarray:
    _limit(count, name, max_faces)
    with np.errstate(invalid="ignore"):  # of a signalling NaN; what is no number is named later
        return np.frombuffer(data, _FACET, count, offset=84)["corners"].astype(np.float64)


def _looks_like_text(data: bytes) -> bool:
    start = data[:1000].lstrip().lower()
    return start.startswith(b"solid") and (b"facet" in data[:100_000].lower() or b"endsolid" in data[-200:].lower())


def _text(data: bytes, name: str, max_faces: int) -> np.ndarray:
    corners, facets = [], 0
    for piece in _pieces(data):
        words = _VERTEX.findall(piece)
        facets += len(_OUTSIDE.findall(piece))
        _limit(facets, name, max_faces)
        corners.append(_numbers(words, name))
    points = np.concatenate(corners)
    if len(points) != 3 * facets:
        raise MeshError(
            f"{name} is STL text with {facets} facets and {len(points)} corners instead of {3 * facets}.",
            "The file is cut short or damaged: export it again.",
        )
    return points.reshape(-1, 3, 3)


def _pieces(data: bytes) -> Iterator[bytes]:
    """Some megabytes of text at a time, parted where a facet begins: words take many times the room of their text."""
    begin = 0
    while begin < len(data):
        after = _OUTSIDE.search(data, begin + PIECE_BYTES) if begin + PIECE_BYTES < len(data) else None
        end = after.start() if after else len(data)
        yield data[begin:end]
        begin = end


def _numbers(words: list[tuple[bytes, bytes, bytes]], name: str) -> np.ndarray:
    try:
        return np.array(words, dtype="S").astype(np.float64).reshape(-1, 3)
    except ValueError:
        all_words = (word for corner in words for word in corner)
        bad = next((word for word in all_words if not re.fullmatch(_NUMBER, word, re.IGNORECASE)), b"...")
        raise MeshError(
            f'{name}: "{bad.decode(errors="replace")[:40]}" is not a coordinate.', "Export it again, as binary STL."
        ) from None


def _limit(count: int, name: str, max_faces: int) -> None:
    if count > max_faces:
        raise MeshError(
            f"{name} has {count} facets; at most {max_faces} are read.",
            "Export it with a coarser mesh: a tenth of a layer is fine enough.",
        )


def _cut_short(data: bytes, name: str, count: int) -> MeshError:
    if count < 0:
        return MeshError(f"{name} is not an STL file: {len(data)} bytes are too few.", "Export the part again.")
    return MeshError(
        f"{name} is not an STL file, or is cut short: its header promises {count} facets, that is "
        f"{84 + 50 * count} bytes, and it has {len(data)}.",
        "Export or copy it again.",
    )
