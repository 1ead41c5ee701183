"""Hollows of a part: sealed ones exactly, those with an opening and narrow passages on a grid of cubes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calib.geometry.mesh import Mesh, volumes_mm3
from calib.geometry.opening import narrowest
from calib.geometry.topology import body_of_face
from calib.geometry.voxels import Voxels, dark, voxels_of
from calib.records import Enclosed

CUBES = 250_000
FINER = 3  # times as many cubes, where something is shut on the grid though the surface does not seal it
LARGEST_OPENING_MM = 10.0  # through a wider one resin and powder leave by themselves; common practice, no source
NARROW_MM = 3.0  # narrower passages are hard to free of powder or resin; common practice, no source
LEAST_SHARE = 1e-4  # of the box: smaller hollows are left out
MOST_ACROSS = 14  # cubes across the widest opening: of a small part an opening of a fifth of its size is wide
MEASURED = 6  # openings of a room that are measured on the mesh; of more the grid's areas are taken
GRAZED_SHARE = 3e-4  # of the box: short empty stretches of lines that graze a curved surface, no passage
_LEVELS = (0.0, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)  # radii of balls, in cubes


@dataclass(frozen=True)
class Hollow:
    """A room that is wider than its openings.

    volume_mm3 : of the room [mm3]
    opening_mm2, opening_mm : area of its openings together, and width of the widest [mm2], [mm]
    openings : their number; 0 where the grid is too coarse to see one: then ``opening_mm`` is the cube's side
    cubes : shape (m, 3), its cubes by their numbers
    """

    volume_mm3: float
    opening_mm2: float
    opening_mm: float
    openings: int
    cubes: np.ndarray


@dataclass(frozen=True, eq=False)
class Hollows:
    """What a part encloses; volumes of one part.

    sealed_mm3 : of rooms without any opening, the largest first; exact for a closed mesh [mm3]
    rooms : with openings, the narrowest first
    narrow_mm3 : of passages narrower than NARROW_MM and deeper than that [mm3]
    voxels : the grid; None where there is neither a room nor a passage
    """

    sealed_mm3: tuple[float, ...]
    rooms: tuple[Hollow, ...]
    narrow_mm3: float
    voxels: Voxels | None

    @property
    def open_mm3(self) -> float:
        """Volume of the rooms with an opening [mm3]."""
        return sum(room.volume_mm3 for room in self.rooms)


@lru_cache(maxsize=8)
def sealed_cavities_mm3(mesh: Mesh) -> tuple[float, ...]:
    """Volumes of the hollows without any opening, the largest first [mm3]; exact for a closed mesh.

    The faces of a cavity look into it, so the volume that they enclose is negative.
    """
    volumes, _ = _bodies(mesh)
    return tuple(sorted((-float(volume) for volume in volumes if volume < -1e-9 * mesh.volume_mm3), reverse=True))


def _bodies(mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    """Volume of each closed surface, negative for a cavity's, and the surface of each face."""
    if not np.isfinite(mesh.volume_mm3):
        return np.zeros(0), np.zeros(0, int)
    bodies, body = body_of_face(mesh.twins)
    return np.bincount(body, volumes_mm3(mesh.triangles), bodies), body


@lru_cache(maxsize=8)
def find_hollows(mesh: Mesh) -> Hollows:
    """Rooms and passages of a part, whichever way it lies.

    A ball that is wider than a room's openings, and narrower than the room, cannot come in from outside: what such balls
    reach follows from distances to the surface, for balls from the smallest to LARGEST_OPENING_MM.
    Volumes on the grid are good to a few per cent where a room is ten cubes wide; openings are measured on the mesh.
    """
    sealed = sealed_cavities_mm3(mesh)
    if not np.isfinite(mesh.volume_mm3):
        return Hollows(sealed, (), 0.0, None)
    triangles = mesh.triangles
    if sealed:
        volumes, body = _bodies(mesh)
        triangles = triangles[(volumes > 0)[body]]
    cubes = voxels_of(triangles, CUBES, LARGEST_OPENING_MM, MOST_ACROSS, NARROW_MM)
    grazed_mm3 = GRAZED_SHARE * CUBES * cubes.cell_mm**3
    if np.count_nonzero(dark(cubes.closed)) <= LEAST_SHARE * CUBES and cubes.gaps_mm3 <= grazed_mm3:
        return Hollows(sealed, (), 0.0, None)
    rooms, narrow = _rooms(cubes, triangles)
    if any(room.openings == 0 for room in rooms):
        cubes = voxels_of(triangles, FINER * CUBES, LARGEST_OPENING_MM, MOST_ACROSS, NARROW_MM)
        rooms, narrow = _rooms(cubes, triangles)
    return Hollows(sealed, tuple(rooms), narrow, cubes if rooms or narrow else None)


def _rooms(cubes: Voxels, triangles: np.ndarray) -> tuple[list[Hollow], float]:
    from scipy import ndimage

    free = ~cubes.closed
    beside = ndimage.binary_dilation
    least = LEAST_SHARE * CUBES
    distance = ndimage.distance_transform_edt(free)
    room_of = np.zeros(free.shape, bool)
    rooms: list[Hollow] = []
    empty = ~cubes.inside
    for level in _LEVELS:
        if 2.0 * level - 1.0 > min(LARGEST_OPENING_MM / cubes.cell_mm, MOST_ACROSS):
            break
        wide = distance > level
        parts, _ = ndimage.label(wide)
        shut = wide & (parts != parts[0, 0, 0])
        if np.count_nonzero(shut & ~room_of) <= least:
            continue
        reached = wide & ~shut
        if level:
            reached = (ndimage.distance_transform_edt(~reached) <= level) & free
        rest, count = ndimage.label(free & ~reached)
        seeds = np.bincount(rest[shut & ~room_of], minlength=count + 1)
        for number in np.flatnonzero(seeds[1:] > 0) + 1:
            whole = rest == number
            new = whole & ~room_of
            if np.count_nonzero(new) <= least:
                continue
            room_of |= new
            filled = np.count_nonzero(beside(new, iterations=1) & empty & ~(free & ~new))
            area, width, openings = _openings(cubes, whole, reached, level, triangles)
            rooms.append(Hollow(filled * cubes.cell_mm**3, area, width, openings, np.argwhere(new)))
    return rooms, _narrow_mm3(cubes, distance, room_of)


def _openings(
    cubes: Voxels, room: np.ndarray, reached: np.ndarray, level: float, triangles: np.ndarray
) -> tuple[float, float, int]:
    """Area of a room's openings [mm2], width of the widest [mm] and their number."""
    from scipy import ndimage

    outwards = np.zeros((*room.shape, 3), np.int8)  # net faces between the room and what is reached, by axis
    faces = np.zeros(room.shape, np.int8)
    for axis in range(3):
        for step in (1, -1):
            next_to = room & np.roll(reached, -step, axis)
            outwards[next_to, axis] += step
            faces += next_to
    pieces, count = ndimage.label(faces > 0, np.ones((3, 3, 3)))
    if not count:
        return np.pi / 4.0 * cubes.cell_mm**2, cubes.cell_mm, 0
    most_mm2 = 0.5 * (np.count_nonzero(room) * cubes.cell_mm**3) ** (2 / 3)
    openings: list[tuple[float, float, np.ndarray]] = []
    for number, box in enumerate(ndimage.find_objects(pieces), 1):
        own = np.argwhere(pieces[box] == number) + [side.start for side in box]
        normal = outwards[tuple(own.T)].sum(axis=0).astype(float)
        net, all_faces = float(np.linalg.norm(normal)), float(faces[tuple(own.T)].sum())
        area = max(net, all_faces / 1.5 if net < all_faces / 3.0 else net) * cubes.cell_mm**2
        middle = cubes.middle_mm(own).mean(axis=0)
        section = None
        if net and count <= MEASURED:
            section = narrowest(triangles, middle, normal / net, (2 * level + 3) * cubes.cell_mm, float(np.sqrt(area)))
        width = min(max(2.0 * level - 1.0, 1.0) * cubes.cell_mm, float(2.0 * np.sqrt(area / np.pi)))
        fits = section is not None and section[0] < most_mm2 and section[1] < (2.0 * level + 2.0) * cubes.cell_mm
        opening = section if section is not None and fits else (area, width, middle)
        if all(np.linalg.norm(opening[2] - other[2]) > 0.5 * min(opening[1], other[1]) for other in openings):
            openings.append(opening)
    return sum(area for area, _, _ in openings), max(width for _, width, _ in openings), len(openings)


def _narrow_mm3(cubes: Voxels, distance: np.ndarray, rooms: np.ndarray) -> float:
    """Volume of empty middles that a ball of NARROW_MM misses, as far from what it reaches as it is wide."""
    from scipy import ndimage

    level = max(NARROW_MM / 2.0 / cubes.cell_mm - 0.5, 0.0)
    parts, _ = ndimage.label(distance > level)
    reached = (parts == parts[0, 0, 0]) | rooms
    deep = level + max(NARROW_MM / cubes.cell_mm, 2.0)
    away = ndimage.distance_transform_edt(~reached) > deep
    return float(np.count_nonzero(away & ~cubes.inside)) * cubes.cell_mm**3


def held_mm3(hollows: Hollows, down: np.ndarray) -> float:
    """What stays of a liquid in the rooms where ``down`` (a direction of the file, shape (3,)) is down [mm3].

    A cube drains where a way leads out of the part that nowhere climbs above it.
    """
    if hollows.voxels is None or not hollows.rooms:
        return 0.0
    from scipy import ndimage

    cubes = hollows.voxels
    room = np.zeros(cubes.closed.shape, bool)
    for hollow in hollows.rooms:
        room[tuple(hollow.cubes.T)] = True
    free = ~cubes.closed
    height = -(np.indices(free.shape).reshape(3, -1).T @ np.asarray(down, float)).reshape(free.shape)
    outside = free & ~room
    near = room | (outside & ndimage.binary_dilation(room, iterations=2))
    box = ndimage.find_objects(near.astype(np.int8))[0]
    near, room, outside, height = near[box], room[box], outside[box], height[box]
    low, high = height[room].min(), height[room].max()
    drained = np.zeros(room.shape, bool)
    step = max((high - low) / 12.0, 1.0)
    for level in np.arange(low, high + step, step):
        parts, count = ndimage.label(near & (height <= level + 0.5 * step))
        leads_out = np.zeros(count + 1, bool)
        leads_out[parts[outside]] = True
        leads_out[0] = False
        drained |= leads_out[parts] & (height > level - 0.5 * step)
    share = np.count_nonzero(room & ~drained) / np.count_nonzero(room)
    return float(share * hollows.open_mm3) if share > 0.02 else 0.0


def enclosed(hollows: Hollows, up: np.ndarray | None) -> Enclosed:
    """As a build's row takes it; up : shape (3,), the file's direction that is up in the build, None: nothing is held."""
    rooms = [(room, room.opening_mm2 * (0.5 if room.openings == 1 else 1.0)) for room in hollows.rooms]
    volume = hollows.open_mm3
    last, area = max(
        rooms, key=lambda pair: pair[0].volume_mm3 / (pair[1] * pair[0].opening_mm), default=(None, np.nan)
    )
    return Enclosed(
        sealed_cm3=sum(hollows.sealed_mm3) / 1000.0,
        hollow_cm3=volume / 1000.0,
        hollow_opening_mm=volume / sum(room.volume_mm3 / room.opening_mm for room, _ in rooms) if rooms else np.nan,
        drain_cm3=last.volume_mm3 / 1000.0 if last else 0.0,
        drain_opening_mm=last.opening_mm if last else np.nan,
        drain_opening_mm2=area,
        narrow_cm3=hollows.narrow_mm3 / 1000.0,
        held_standing_cm3=0.0 if up is None else held_mm3(hollows, -up) / 1000.0,
        held_hanging_cm3=0.0 if up is None else held_mm3(hollows, up) / 1000.0,
    )
