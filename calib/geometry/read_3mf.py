"""3MF: a zip archive of XML; its unit and placements are honoured, support objects are left out."""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from collections.abc import Iterator

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from calib.errors import MeshError
from calib.geometry.model_3mf import MAX_USES, Model, ModelError, Use, read_model
from calib.geometry.slices import Slices
from calib.geometry.slices_3mf import SliceError
from calib.geometry.units import unit_named

# Limits, ours: no part file in use comes near them, an archive made to harm does.
MAX_UNPACKED_BYTES = 1024**3
MAX_RATIO = 200  # unpacked bytes for each packed one; XML of numbers packs 5 to 20 times
MAX_DEPTH = 16  # components of components
PIECE_BYTES = 1024**2

_START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_PARTS_OF_SOLIDS = ("model", "")  # not: support, solidsupport, surface, other


def read_3mf(data: bytes, name: str, max_faces: int) -> tuple[np.ndarray, str, tuple[Slices, ...] | None]:
    """Corners of the faces of all build items, placed, shape (n, 3, 3), in the file's unit; that unit; and their slices.

    Slices are None where a solid has none, or is laid so that they are no sections of it.

    Files are unpacked and parsed piece by piece, so that memory is bounded by the faces, whatever the archive holds.

    Source: 3MF Core Specification 1.4.0 (ISO/IEC 25422:2025): unit, object types, item and component transforms;
    3MF Slice Extension 1.0.2: stacks, references, polygons.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            package = _Package(archive, max_faces)
            triangles = package.placed_triangles()
            stacks = None if None in package.stacks else tuple(one for one in package.stacks if one is not None)
            return triangles, package.unit(), stacks
    except (ModelError, SliceError) as error:
        why = str(error)
    except DefusedXmlException:
        why = "its XML declares entities, which are never followed"
    except (ParseError, LookupError, ValueError) as error:
        why = f"its XML is not well formed ({error})"
    except (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError):
        why = "its archive is damaged or locked"
    raise MeshError(f"{name} cannot be read as 3MF: {why}.", "Export the part again.")


class _Package:
    """The model files of one archive, parsed when they are asked for."""

    def __init__(self, archive: zipfile.ZipFile, max_faces: int) -> None:
        self.archive, self.max_faces = archive, max_faces
        self.bytes_left, self.uses_left, self.faces_left = MAX_UNPACKED_BYTES, MAX_USES, max_faces
        self.members = {_inside(info.filename): info for info in archive.infolist()}
        self.models: dict[str, Model] = {}
        self.solids: dict[tuple[str, str], np.ndarray] = {}
        self.stacks: list[Slices | None] = []  # of the solids, as placed; None where there are none
        self.start = self._start_path()

    def unit(self) -> str:
        return unit_named(self._model(self.start).unit)

    def placed_triangles(self) -> np.ndarray:
        items = self._model(self.start).items
        if not items:
            raise ModelError("it has no build item")
        placed = [corners for item in items for corners in self._placed(item, self.start, None, 0)]
        if not placed:
            raise ModelError("no build item is a solid (support objects are left out)")
        return np.concatenate(placed)

    def _placed(self, use: Use, here: str, outer: np.ndarray | None, depth: int) -> Iterator[np.ndarray]:
        """Triangles of an object and its components, where it is used."""
        if depth > MAX_DEPTH:
            raise ModelError(f"its components are nested more than {MAX_DEPTH} deep, or in a circle")
        self.uses_left -= 1
        if self.uses_left < 0:
            raise ModelError(f"it places more than {MAX_USES} objects")
        path = _inside(use.path) if use.path else here
        thing = self._model(path).objects.get(use.number)
        if thing is None:
            raise ModelError(f'object "{use.number}" is used but not there')
        if thing.kind not in _PARTS_OF_SOLIDS:
            return
        place = use.place if outer is None else _chained(use.place, outer)
        if len(thing.faces):
            yield self._solid(path, use.number, place)
            self.stacks += self._slices(path, thing.stack, place)
        for part in thing.components:
            yield from self._placed(part, path, place, depth + 1)

    def _solid(self, path: str, number: str, place: np.ndarray) -> np.ndarray:
        if (path, number) not in self.solids:
            self.solids[path, number] = self.models[path].objects[number].triangles()
        corners = self.solids[path, number]
        self.faces_left -= len(corners)
        if self.faces_left < 0:
            raise ModelError("it has more faces than are read; export a coarser mesh")
        placed = corners @ place[:3] + place[3]
        return placed[:, ::-1] if np.linalg.det(place[:3]) < 0 else placed

    def _slices(self, path: str, number: str, place: np.ndarray) -> list[Slices | None]:
        """Stacks of a solid where it is placed; slices may be turned about the upright and mirrored, no more."""
        if not number:
            return [None]
        upright = np.allclose(place[:2, 2], 0) and np.allclose(place[2, :2], 0) and place[2, 2] > 0
        return [one.placed(place) if upright else None for one in self._stack(path, number, 0)]

    def _stack(self, path: str, number: str, depth: int) -> Iterator[Slices]:
        """A stack, or those that it refers to."""
        stack = self._model(path).stacks.get(number)
        if stack is None:
            raise ModelError(f'slice stack "{number}" is used but not there')
        if depth > 1:
            raise ModelError(f'slice stack "{number}" refers to others though it is referred to itself')
        self.uses_left -= 1
        if self.uses_left < 0:
            raise ModelError(f"it places more than {MAX_USES} objects")
        if len(stack.tops):
            yield stack.slices()
        for where, other in stack.refs:
            yield from self._stack(_inside(where) if where else path, other, depth + 1)

    def _model(self, path: str) -> Model:
        if path not in self.models:
            self.models[path] = read_model(self._unpacked(path), self.max_faces)
        return self.models[path]

    def _start_path(self) -> str:
        for relation in fromstring(b"".join(self._unpacked("_rels/.rels", PIECE_BYTES)), forbid_dtd=True):
            if relation.get("Type") == _START:
                return _inside(relation.get("Target", ""))
        raise ModelError("its archive names no 3D model")

    def _unpacked(self, path: str, at_most: int = MAX_UNPACKED_BYTES) -> Iterator[bytes]:
        """Pieces of one member, never more than the limits, whatever its header says."""
        if path not in self.members:
            raise ModelError(f'"{path}" is not in its archive')
        member = self.members[path]
        most = min(at_most, self.bytes_left, max(member.compress_size * MAX_RATIO, PIECE_BYTES))
        read = 0
        with self.archive.open(member) as stream:
            while piece := stream.read(PIECE_BYTES):
                read += len(piece)
                if read > most:
                    raise ModelError(f'"{path}" unpacks to more than {most // 1024**2} MB, as no part file does')
                yield piece
        self.bytes_left -= read


def _inside(path: str) -> str:
    return posixpath.normpath("/" + path.replace("\\", "/")).lstrip("/")


def _chained(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
    return np.vstack([inner[:3] @ outer[:3], inner[3] @ outer[:3] + outer[3]])
