"""3MF, a zip archive of XML: unit and placements are honoured, support objects are left out.

Each model file is parsed piece by piece into objects and build items, as arrays; nothing else of it is kept.
"""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.parsers.expat import ExpatError, ParserCreate

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring

from calib.errors import MeshError
from calib.geometry.slices import Slices
from calib.geometry.slices_3mf import GREATEST, SLICE, SliceError, Stack
from calib.geometry.units import unit_named

MAX_OBJECTS = 10_000
MAX_USES = 100_000  # components and items of one file
MAX_DEPTH_XML = 64
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MAX_STACKS = 1000  # of one file
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
# Limits, ours: no part file in use comes near them, an archive made to harm does.
MAX_UNPACKED_BYTES = 1024**3
MAX_RATIO = 200  # unpacked bytes for each packed one; XML of numbers packs 5 to 20 times
MAX_DEPTH = 16  # components of components
PIECE_BYTES = 1024**2
_START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_PARTS_OF_SOLIDS = ("model", "")  # not: support, solidsupport, surface, other


class ModelError(ValueError):
    """What is wrong with a model file, as a clause."""


@dataclass(eq=False)
class Use:
    """An object used in a build item or a component: ``path`` of its file ('' this one), ``number``, 4 x 3 matrix."""

    path: str
    number: str
    place: np.ndarray


@dataclass(eq=False)
class Object:
    """vertices : x, y, z one after another; faces : vertex numbers likewise; stack : number of its slices, '' without."""

    kind: str
    vertices: array[float] = field(default_factory=lambda: array("d"))
    faces: array[int] = field(default_factory=lambda: array("i"))
    components: list[Use] = field(default_factory=list)
    stack: str = ""

    def triangles(self) -> np.ndarray:
        """Corners of the faces, shape (n, 3, 3), in the file's unit; a ModelError where a face names no vertex."""
        points = np.frombuffer(self.vertices, np.float64).reshape(-1, 3)
        faces = np.frombuffer(self.faces, np.int32).reshape(-1, 3)
        if len(faces) and (faces.min() < 0 or faces.max() >= len(points)):
            raise ModelError(f"a triangle names vertex {int(faces.max())}, and there are {len(points)}")
        return points[faces]


@dataclass(eq=False)
class Model:
    unit: str = "millimeter"
    objects: dict[str, Object] = field(default_factory=dict)
    items: list[Use] = field(default_factory=list)
    stacks: dict[str, Stack] = field(default_factory=dict)


def read_model(pieces: Iterator[bytes], max_faces: int) -> Model:
    """The model in an XML text.

    Raises ModelError where it is not well formed, declares a document type (and so could declare entities, which are
    never followed), or has more faces, objects or uses than allowed.
    """
    reader = _Reader(max_faces)
    parser = ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.StartDoctypeDeclHandler = reader.doctype
    try:
        for piece in pieces:
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except (ExpatError, LookupError) as error:  # an unknown encoding is a LookupError
        raise ModelError(f"its XML is not well formed ({error})") from error
    return reader.model


class _Reader:
    """Takes elements as they come; the object that is open collects."""

    def __init__(self, max_faces: int) -> None:
        self.model, self.max_faces = Model(), max_faces
        self.open = Object("other")  # what stands outside of every object is no part of one
        self.uses = self.depth = 0
        self.known = {
            f"{CORE} {name}": getattr(self, f"_{name}")
            for name in ("model", "object", "vertex", "triangle", "component", "item")
        } | {
            f"{SLICE} {name}": getattr(self, f"_{name}_of_stack")
            for name in ("slicestack", "slice", "vertex", "polygon", "segment", "sliceref")
        }
        self.stack = Stack(0.0)  # what stands outside of every stack is no part of one

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > MAX_DEPTH_XML:
            raise ModelError(f"its XML is nested more than {MAX_DEPTH_XML} deep")
        take = self.known.get(name)
        if take is not None:
            try:
                take(attributes)
            except (KeyError, OverflowError) as error:
                raise ModelError(f"a <{name.split()[-1]}> lacks a number, or has one too large ({error})") from error
            except ModelError:
                raise
            except SliceError as error:
                raise ModelError(str(error)) from error
            except ValueError as error:
                raise ModelError(f"a number in it is wrong ({error})") from error

    def end(self, _: str) -> None:
        self.depth -= 1

    def doctype(self, *_: object) -> None:
        raise ModelError("its XML declares a document type; entities are never followed")

    def _model(self, attributes: dict[str, str]) -> None:
        self.model.unit = attributes.get("unit", "millimeter")

    def _object(self, attributes: dict[str, str]) -> None:
        self.open = Object(attributes.get("type", "model"), stack=attributes.get(f"{SLICE} slicestackid", ""))
        self.model.objects[attributes.get("id", "")] = self.open
        if len(self.model.objects) > MAX_OBJECTS:
            raise ModelError(f"it has more than {MAX_OBJECTS} objects")

    def _slicestack_of_stack(self, attributes: dict[str, str]) -> None:
        bottom = float(attributes.get("zbottom", 0.0))
        if not abs(bottom) <= GREATEST:
            raise SliceError(f"a stack begins at {bottom:g}, which is no height")
        self.stack = self.model.stacks[attributes["id"]] = Stack(bottom)
        if len(self.model.stacks) > MAX_STACKS:
            raise ModelError(f"it has more than {MAX_STACKS} stacks of slices")

    def _slice_of_stack(self, attributes: dict[str, str]) -> None:
        self.stack.slice(float(attributes["ztop"]))

    def _vertex_of_stack(self, attributes: dict[str, str]) -> None:
        self.stack.vertex(float(attributes["x"]), float(attributes["y"]))

    def _polygon_of_stack(self, attributes: dict[str, str]) -> None:
        self.stack.polygon(int(attributes["startv"]))

    def _segment_of_stack(self, attributes: dict[str, str]) -> None:
        self.stack.segment(int(attributes["v2"]))

    def _sliceref_of_stack(self, attributes: dict[str, str]) -> None:
        self.stack.refs.append((attributes.get("slicepath", ""), attributes["slicestackid"]))
        if len(self.stack.refs) > MAX_STACKS:
            raise ModelError(f"a stack refers to more than {MAX_STACKS} others")

    def _vertex(self, attributes: dict[str, str]) -> None:
        self.open.vertices.extend((float(attributes["x"]), float(attributes["y"]), float(attributes["z"])))
        if len(self.open.vertices) > 9 * self.max_faces:
            raise ModelError("it has more vertices than are read; export a coarser mesh")

    def _triangle(self, attributes: dict[str, str]) -> None:
        self.open.faces.extend((int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"])))
        if len(self.open.faces) > 3 * self.max_faces:
            raise ModelError("it has more faces than are read; export a coarser mesh")

    def _component(self, attributes: dict[str, str]) -> None:
        self.open.components.append(self._use(attributes))

    def _item(self, attributes: dict[str, str]) -> None:
        self.model.items.append(self._use(attributes))

    def _use(self, attributes: dict[str, str]) -> Use:
        self.uses += 1
        if self.uses > MAX_USES:
            raise ModelError(f"it places more than {MAX_USES} objects")
        path, number = attributes.get(f"{PRODUCTION} path", ""), attributes.get("objectid", "")
        return Use(path, number, _matrix(attributes.get("transform", "")))


def _matrix(text: str) -> np.ndarray:
    """The 4 x 3 matrix of a transform: row vectors are multiplied from the left."""
    if not text:
        return np.vstack([np.eye(3), np.zeros(3)])
    numbers = np.array(text.split(), dtype=float)
    if numbers.shape != (12,) or not np.isfinite(numbers).all():
        raise ModelError(f'transform "{text[:60]}" is not twelve numbers')
    return numbers.reshape(4, 3)


def read_3mf(data: bytes, name: str, max_faces: int) -> tuple[np.ndarray, str, tuple[Slices, ...] | None]:
    """Corners of the faces of all build items, placed, shape (n, 3, 3), in the file's unit; that unit; and their slices.

    Raises a MeshError where the archive or a model file in it is damaged, unsafe, or larger than is read.
    Slices are None where a solid has none, or is laid so that they are no sections of it.

    Files are unpacked and parsed piece by piece, so that memory is bounded by the faces, whatever the archive holds.

    Source: 3MF Core Specification 1.4.0 (ISO/IEC 25422:2025): unit, object types, item and component transforms;
    3MF Slice Extension 1.0.2: stacks, references, polygons.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            package = _Package(archive, max_faces)
            triangles = package.placed_triangles()
            stacks = None if None in package.stacks else tuple(stack for stack in package.stacks if stack is not None)
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
        used = self._model(path).objects.get(use.number)
        if used is None:
            raise ModelError(f'object "{use.number}" is used but not there')
        if used.kind not in _PARTS_OF_SOLIDS:
            return
        place = use.place if outer is None else _chained(use.place, outer)
        if len(used.faces):
            yield self._solid(path, use.number, place)
            self.stacks += self._slices(path, used.stack, place)
        for part in used.components:
            yield from self._placed(part, path, place, depth + 1)

    def _solid(self, path: str, number: str, place: np.ndarray) -> np.ndarray:
        if (path, number) not in self.solids:
            self.solids[path, number] = self.models[path].objects[number].triangles()
        corners = self.solids[path, number]
        self.faces_left -= len(corners)
        if self.faces_left < 0:
            raise ModelError("it has more faces than are read; export a coarser mesh")
        placed: np.ndarray = corners @ place[:3] + place[3]
        return placed[:, ::-1] if np.linalg.det(place[:3]) < 0 else placed

    def _slices(self, path: str, number: str, place: np.ndarray) -> list[Slices | None]:
        """Stacks of a solid where it is placed; slices may be turned about the upright and mirrored, no more."""
        if not number:
            return [None]
        upright = np.allclose(place[:2, 2], 0) and np.allclose(place[2, :2], 0) and place[2, 2] > 0
        return [stack.placed(place) if upright else None for stack in self._stack(path, number, 0)]

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
