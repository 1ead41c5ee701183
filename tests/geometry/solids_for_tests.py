"""Small solids with known answers, as triangle arrays in mm."""

from __future__ import annotations

import numpy as np
import trimesh


def box(x, y, z, at=(0.0, 0.0, 0.0)):
    """A box with its lowest corner at ``at``."""
    return np.array(trimesh.creation.box((x, y, z)).triangles) + np.array([x, y, z]) / 2 + np.asarray(at)


def ball(radius, fineness=4):
    return np.array(trimesh.creation.icosphere(subdivisions=fineness, radius=radius).triangles)


def torus(major, minor):
    return np.array(trimesh.creation.torus(major, minor).triangles)


def crumpled(fineness=4):
    """An irregular closed surface."""
    points = ball(30.0, fineness)
    return points + 2 * np.sin(0.4 * points[..., [1, 2, 0]])


def united(*parts):
    return np.array(trimesh.boolean.union([as_library_mesh(part) for part in parts], engine="manifold").triangles)


def as_library_mesh(triangles):
    return trimesh.Trimesh(**trimesh.triangles.to_kwargs(triangles))


def stl_bytes(triangles, header=b"part"):
    facets = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets["corners"] = triangles
    return header.ljust(80, b" ") + len(triangles).to_bytes(4, "little") + facets.tobytes()


def stl_text(triangles):
    facet = "facet normal 0 0 0\nouter loop\n{}\nendloop\nendfacet"
    corners = ("\n".join("vertex {:.9g} {:.9g} {:.9g}".format(*c) for c in t) for t in triangles)
    return ("solid part\n" + "\n".join(facet.format(c) for c in corners) + "\nendsolid part\n").encode()
