"""One model file of a 3MF archive: XML in pieces -> objects and build items, as arrays; nothing else is kept."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.parsers.expat import ExpatError, ParserCreate

import numpy as np

from calib.geometry.slices_3mf import GREATEST, SLICE, SliceError, Stack

MAX_OBJECTS = 10_000
MAX_USES = 100_000  # components and items of one file
MAX_DEPTH_XML = 64
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MAX_STACKS = 1000  # of one file
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"


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
        """Corners of the faces, shape (n, 3, 3)."""
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
    except (ExpatError, LookupError) as error:  # an encoding that nobody knows is a LookupError
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
