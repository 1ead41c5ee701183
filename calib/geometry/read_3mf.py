"""3MF: a zip archive of XML; its unit and placements are honoured, support objects are left out."""

from __future__ import annotations

import io
import posixpath
import zipfile
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from calib.errors import MeshError
from calib.geometry.units import unit_named

# Limits, ours: no part file in use comes near them, an archive made to harm does.
MAX_UNPACKED_BYTES = 1024**3
MAX_RATIO = 200  # unpacked bytes for each packed one; XML of numbers packs 5 to 20 times
MAX_DEPTH = 16  # components of components
MAX_OBJECTS = 10_000
MAX_USES = 100_000  # objects placed, counted with repetition

_CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
_PRODUCTION = "{http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"
_START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_PARTS_OF_SOLIDS = ("model", "")  # not: support, solidsupport, surface, other


def read_3mf(data: bytes, name: str, max_faces: int) -> tuple[np.ndarray, str]:
    """Corners of the faces of all build items, placed, shape (n, 3, 3), in the file's unit; and that unit.

    Source: 3MF Core Specification 1.4.0 (ISO/IEC 25422:2025): unit, object types, item and component transforms.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            model = _Model(archive, name, max_faces)
            return model.placed_triangles(), model.unit
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, OSError, NotImplementedError, RuntimeError) as error:
        raise _bad(name, f"its archive is damaged ({error})") from error
    except DefusedXmlException as error:
        raise _bad(name, "its XML declares entities, which are never followed") from error
    except ParseError as error:
        raise _bad(name, f"its XML is not well formed ({error})") from error
    except (ValueError, TypeError, KeyError, IndexError, OverflowError) as error:
        raise _bad(name, f"a number or reference in it is wrong ({error})") from error


def _bad(name: str, why: str) -> MeshError:
    return MeshError(f"{name} cannot be read as 3MF: {why}.", "Export the part again.")


class _Model:
    """The model files of one archive, parsed when they are asked for."""

    def __init__(self, archive: zipfile.ZipFile, name: str, max_faces: int) -> None:
        self.archive, self.name, self.faces_left = archive, name, max_faces
        self.bytes_left, self.uses_left = MAX_UNPACKED_BYTES, MAX_USES
        self.objects: dict[str, dict[str, Element]] = {}
        self.start = self._start_path()
        self.root = self._parse(self.start)
        self.unit = unit_named(self.root.get("unit", "millimeter"))
        self.meshes: dict[tuple[str, str], np.ndarray] = {}

    def placed_triangles(self) -> np.ndarray:
        items = self.root.findall(f"{_CORE}build/{_CORE}item")
        if not items:
            raise _bad(self.name, "it has no build item")
        placed = []
        for item in items:
            path = _part_path(item, self.start)
            placed += list(self._triangles_of(path, item.get("objectid", ""), _transform(item), 0))
        if not placed:
            raise _bad(self.name, "no build item is a solid (support objects are left out)")
        return np.concatenate(placed)

    def _triangles_of(self, path: str, number: str, place: np.ndarray, depth: int) -> Iterator[np.ndarray]:
        if depth > MAX_DEPTH:
            raise _bad(self.name, f"its components are nested more than {MAX_DEPTH} deep, or in a circle")
        self.uses_left -= 1
        if self.uses_left < 0:
            raise _bad(self.name, f"it places more than {MAX_USES} objects")
        objects = self._objects_in(path)
        if number not in objects:
            raise _bad(self.name, f'object "{number}" is used but not there')
        thing = objects[number]
        if thing.get("type", "model") not in _PARTS_OF_SOLIDS:
            return
        mesh = thing.find(f"{_CORE}mesh")
        if mesh is not None:
            if (path, number) not in self.meshes:
                self.meshes[path, number] = _triangles_in(mesh, self.name)
            corners = self.meshes[path, number]
            self.faces_left -= len(corners)
            if self.faces_left < 0:
                raise _bad(self.name, "it has more faces than are read; export a coarser mesh")
            placed = corners @ place[:3] + place[3]
            yield placed[:, ::-1] if np.linalg.det(place[:3]) < 0 else placed
        for part in thing.findall(f"{_CORE}components/{_CORE}component"):
            inner = _part_path(part, path)
            yield from self._triangles_of(inner, part.get("objectid", ""), _chained(_transform(part), place), depth + 1)

    def _objects_in(self, path: str) -> dict[str, Element]:
        if path not in self.objects:
            self._parse(path)
        return self.objects[path]

    def _parse(self, path: str) -> Element:
        root = fromstring(self._unpacked(path), forbid_dtd=True)
        found = root.findall(f"{_CORE}resources/{_CORE}object")
        if len(found) > MAX_OBJECTS:
            raise _bad(self.name, f"it has {len(found)} objects; at most {MAX_OBJECTS} are read")
        self.objects[path] = {thing.get("id", ""): thing for thing in found}
        return root

    def _start_path(self) -> str:
        relations = fromstring(self._unpacked("_rels/.rels"), forbid_dtd=True)
        for relation in relations:
            if relation.get("Type") == _START:
                return _inside(relation.get("Target", ""))
        raise _bad(self.name, "its archive names no 3D model")

    def _unpacked(self, path: str) -> bytes:
        """Bytes of one member, never more than the limits, whatever its header says."""
        member = next((info for info in self.archive.infolist() if _inside(info.filename) == path), None)
        if member is None:
            raise _bad(self.name, f'"{path}" is not in its archive')
        most = min(self.bytes_left, max(member.compress_size * MAX_RATIO, 1024**2))
        with self.archive.open(member) as stream:
            data = stream.read(most + 1)
        if len(data) > most:
            raise _bad(self.name, f'"{path}" unpacks to more than {most // 1024**2} MB, as no part file does')
        self.bytes_left -= len(data)
        return data


def _inside(path: str) -> str:
    return posixpath.normpath("/" + path.replace("\\", "/")).lstrip("/")


def _part_path(element: Element, here: str) -> str:
    other = element.get(f"{_PRODUCTION}path")
    return _inside(other) if other else here


def _triangles_in(mesh: Any, name: str) -> np.ndarray:
    vertices = mesh.findall(f"{_CORE}vertices/{_CORE}vertex")
    faces = mesh.findall(f"{_CORE}triangles/{_CORE}triangle")
    points = np.array([(v.get("x"), v.get("y"), v.get("z")) for v in vertices], dtype=float).reshape(-1, 3)
    corners = np.array([(t.get("v1"), t.get("v2"), t.get("v3")) for t in faces], dtype=np.int64).reshape(-1, 3)
    if len(corners) and (corners.min() < 0 or corners.max() >= len(points)):
        raise _bad(name, f"a triangle names vertex {int(corners.max())}, and there are {len(points)}")
    return points[corners]


def _transform(element: Element) -> np.ndarray:
    """The 4 x 3 matrix of an item or component: row vectors are multiplied from the left."""
    text = element.get("transform")
    if not text:
        return np.vstack([np.eye(3), np.zeros(3)])
    numbers = np.array(text.split(), dtype=float)
    if numbers.shape != (12,) or not np.isfinite(numbers).all():
        raise ValueError(f'transform "{text[:60]}" is not twelve numbers')
    return numbers.reshape(4, 3)


def _chained(inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
    return np.vstack([inner[:3] @ outer[:3], inner[3] @ outer[:3] + outer[3]])
