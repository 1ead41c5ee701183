"""The parts of the invented lab, made by code: closed meshes, millimetres, small enough to read by eye."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from manifold3d import CrossSection, FillRule, Manifold, OpType

ROUND = 48  # straight pieces of a full circle


def box(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> Manifold:
    return Manifold.cube((x, y, z)).translate(at)


def rod(radius: float, height: float, at: tuple[float, float, float] = (0, 0, 0)) -> Manifold:
    return Manifold.cylinder(height, radius, circular_segments=ROUND).translate(at)


def turned(outline: list[tuple[float, float]]) -> Manifold:
    """Solid of revolution of an outline of (radius, height)."""
    return CrossSection([outline], FillRule.EvenOdd).revolve(ROUND)


def float_housing() -> Manifold:
    """Cup of the gauge's float: wall 2.4 mm, a flange with six screw holes."""
    cup = turned([(0, 0), (30, 0), (34, 6), (34, 58), (42, 62), (42, 66), (31.6, 66), (31.6, 7), (28.6, 2.4), (0, 2.4)])
    holes = [rod(1.7, 10, (37.5, 0, 59)).rotate((0, 0, 60.0 * k)) for k in range(6)]
    return cup - Manifold.batch_boolean(holes, OpType.Add)


def sensor_bracket() -> Manifold:
    """Angle bracket of the ultrasonic head: plate, upright, two gussets, a 22 mm eye."""
    angle = box(70, 40, 5) + box(5, 40, 55)
    gusset = CrossSection([[(5, 5), (30, 5), (5, 30)]], FillRule.EvenOdd).extrude(4).rotate((90, 0, 0))
    ribs = gusset.translate((0, 8, 0)) + gusset.translate((0, 36, 0))
    screws = [rod(2.2, 20, (x, y, -5)) for x in (40, 62) for y in (8, 32)]
    eye = rod(11, 20).rotate((0, 90, 0)).translate((-5, 20, 36))
    return angle + ribs - Manifold.batch_boolean(screws, OpType.Add) - eye


def cable_clip() -> Manifold:
    """Clip for an 8 mm cable, with a foot and a screw hole."""
    ring = rod(7, 10) - rod(4.1, 12, (0, 0, -1)) - box(5, 8, 12, (0, -1, -1))
    foot = box(22, 4, 10, (-20, -7, 0)) - rod(1.7, 10).rotate((90, 0, 0)).translate((-15, 0, 5))
    return ring + foot - rod(4.1, 12, (0, 0, -1))


def staff_gauge_bracket() -> Manifold:
    """Long channel that holds a staff gauge on a pile: 140 mm, slotted."""
    channel = box(140, 44, 6) + box(140, 5, 26) + box(140, 5, 26, (0, 39, 0))
    slots = [box(18, 7, 10, (x, 18.5, -2)) for x in (16, 61, 106)]
    return channel - Manifold.batch_boolean(slots, OpType.Add)


def pressure_cap() -> Manifold:
    """Cap of the pressure sensor: thin domed wall, ring of inlet holes, inner seat."""
    dome = [(0, 24), (6, 23), (11, 20), (14, 15), (15, 9), (15, 0), (13, 0), (13, 9), (12, 14), (9.4, 18.4), (0, 22)]
    cap = turned(dome) + (rod(13.5, 3, (0, 0, 4)) - rod(9, 5, (0, 0, 3)))
    inlets = [rod(1.1, 40, (0, 0, 0)).rotate((0, 90, 30.0 * k)).translate((0, 0, 11)) for k in range(12)]
    return cap - Manifold.batch_boolean(inlets, OpType.Add)


def mast_clamp() -> Manifold:
    """Half of the clamp for a 48 mm mast."""
    block = box(86, 24, 32, (-43, 0, 0)) - rod(24, 40, (0, -1.0, -4))
    bolts = [rod(3.3, 40).rotate((-90, 0, 0)).translate((x, -5, 16)) for x in (-34, 34)]
    return block - Manifold.batch_boolean(bolts, OpType.Add)


PARTS: dict[str, Callable[[], Manifold]] = {
    "float_housing.stl": float_housing,
    "sensor_bracket.stl": sensor_bracket,
    "cable_clip.stl": cable_clip,
    "staff_gauge_bracket.stl": staff_gauge_bracket,
    "pressure_cap.stl": pressure_cap,
    "mast_clamp.3mf": mast_clamp,
}


def mesh_of(solid: Manifold) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) rounded to 0.001 mm, lowest at zero, and faces (m, 3), in a fixed order."""
    mesh = solid.to_mesh()
    vertices = np.round(np.asarray(mesh.vert_properties)[:, :3].astype(float), 3)
    vertices = np.round(vertices - vertices.min(axis=0), 3) + 0.0
    distinct, index = np.unique(vertices, axis=0, return_inverse=True)
    faces = index.reshape(-1)[np.asarray(mesh.tri_verts)]
    first = faces.argmin(axis=1)
    faces = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    return distinct, faces[np.lexsort(faces.T[::-1])]


def measures(vertices: np.ndarray, faces: np.ndarray) -> dict[str, float]:
    """Volume [cm3], area [cm2] and height [mm] of a closed mesh: divergence theorem, sum of triangles."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    return {
        "volume_cm3": float(np.einsum("ij,ij->", a, normal) / 6e3),
        "area_cm2": float(np.linalg.norm(normal, axis=1).sum() / 200),
        "height_mm": float(vertices[:, 2].max()),
    }


def stl_bytes(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """Binary STL: 80 bytes, a count, then normal, three corners and two spare bytes for each triangle."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    triangles = np.zeros(len(faces), record)
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    triangles["normal"] = np.round(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12), 5)
    triangles["corners"] = corners
    head = b"part of an invented lab, mm".ljust(80)
    return head + np.uint32(len(faces)).astype("<u4").tobytes() + triangles.tobytes()


def threemf_bytes(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """3MF core package: one object in millimetres."""
    corners = "".join(f'<vertex x="{x:g}" y="{y:g}" z="{z:g}"/>' for x, y, z in vertices)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    model = (
        f'{head}<model unit="millimeter" xml:lang="en-GB" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources><object id="1" type="model">'
        f"<mesh><vertices>{corners}</vertices><triangles>{triangles}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    types = (
        f'{head}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
    )
    relations = (
        f'{head}<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Id="rel0" Target="/3D/3dmodel.model" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    package = io.BytesIO()
    with zipfile.ZipFile(package, "w", zipfile.ZIP_STORED) as archive:
        for name, text in (("[Content_Types].xml", types), ("_rels/.rels", relations), ("3D/3dmodel.model", model)):
            archive.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), text)
    return package.getvalue()


def write_parts(folder: Path) -> dict[str, dict[str, float]]:
    """Write every part; returns its measures by file name."""
    folder.mkdir(parents=True, exist_ok=True)
    found = {}
    for name, make in PARTS.items():
        vertices, faces = mesh_of(make())
        to_bytes = threemf_bytes if name.endswith(".3mf") else stl_bytes
        (folder / name).write_bytes(to_bytes(vertices, faces))
        found[name] = measures(vertices, faces)
    return found
