"""Units of part files: names, factors, and which one was likely meant when a size is absurd."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from calib.errors import MeshError

# 3MF Core Specification 1.4.0, ST_Unit (seen); the short names are ours.
MM_PER = {"micron": 1e-3, "mm": 1.0, "cm": 10.0, "inch": 25.4, "foot": 304.8, "m": 1000.0}
_ALSO = {
    "millimeter": "mm", "millimetre": "mm", "centimeter": "cm", "centimetre": "cm", "meter": "m", "metre": "m",
    "in": "inch", "inches": "inch", "ft": "foot", "feet": "foot", "um": "micron", "microns": "micron",
}  # fmt: skip
# Greatest side of a part that is taken as mm; smaller ones are seldom printed (common practice, no source).
SMALLEST_MM, GREATEST_MM = 5.0, 2000.0
SMALL_MM = 20.0  # taken as mm with a note, where the lab's own parts do not say what is usual
FEWEST_PARTS = 5  # of the lab's own that say what is usual
SMALLER_SHARE = 0.5  # of the smallest that the lab has made: less is asked about
TIMES_ROOM = 2.0  # larger than so many times the largest build is absurd; less is just too large


def unit_named(text: str) -> str:
    """The unit that a word stands for; a MeshError naming the units where it stands for none.

    >>> unit_named("Inches"), unit_named("millimeter")
    ('inch', 'mm')
    """
    word = text.strip().lower()
    word = _ALSO.get(word, word)
    if word not in MM_PER:
        raise MeshError(f'"{text}" is not a unit of length.', f"Units: {', '.join(MM_PER)}.")
    return word


def smallest_mm(usual_mm: Sequence[float] = ()) -> tuple[float, float]:
    """Greatest side below which a part is asked about, and below which the result has a note.

    usual_mm : greatest sides of the parts that the lab has had [mm]

    >>> smallest_mm(), smallest_mm([60, 8, 30, 25, 100])
    ((5.0, 20.0), (4.0, 8.0))
    """
    if len(usual_mm) < FEWEST_PARTS:
        return SMALLEST_MM, SMALL_MM
    return SMALLER_SHARE * min(usual_mm), float(min(usual_mm))


def likely_unit(
    size_mm: np.ndarray, build_mm: Iterable[float] | None = None, least_mm: float = SMALLEST_MM
) -> str | None:
    """The unit in which a part read as mm would have a usual size; None where mm itself does, or none.

    size_mm : shape (3,), size if the numbers were mm [mm]
    build_mm : sides of the builds there are; the greatest counts; 1 m if None [mm]
    least_mm : greatest side of the smallest part that is usual [mm]

    >>> likely_unit(np.array([0.08, 0.05, 0.02])), likely_unit(np.array([60.0, 20.0, 20.0]))
    ('m', None)
    >>> likely_unit(np.array([2.4, 1.0, 0.5]))
    'inch'
    """
    greatest, most = float(np.max(size_mm)), _most_mm(build_mm)
    if least_mm <= greatest <= most:
        return None
    order = ("inch", "m", "cm", "foot") if greatest < least_mm else ("micron",)
    usual = [unit for unit in order if 10 <= greatest * MM_PER[unit] <= min(most, 500)]
    return usual[0] if usual else None


def absurd_size(
    size_mm: np.ndarray, build_mm: Iterable[float] | None = None, usual_mm: Sequence[float] = ()
) -> str | None:
    """A sentence where a part without a unit is absurdly small or large as mm, naming the likely unit; else None.

    size_mm : shape (3,), size if the numbers were mm; build_mm, usual_mm : as for ``likely_unit`` and ``smallest_mm`` [mm]
    """
    greatest, most, least = float(np.max(size_mm)), _most_mm(build_mm), smallest_mm(usual_mm)[0]
    if least <= greatest <= most:
        return None
    unit = likely_unit(size_mm, build_mm, least)
    meant = f"Its numbers may be {unit}: then say --unit {unit}." if unit else "State the unit with --unit."
    if greatest > most:
        extent = f"more than {most:g} mm"
    elif len(usual_mm) < FEWEST_PARTS:
        extent = f"no side over {least:g} mm"
    else:
        extent = f"less than half of the smallest of {len(usual_mm)} parts made here ({min(usual_mm):.3g} mm)"
    return f"The file states no unit; as mm the part is {_sides(size_mm)} mm, {extent}. {meant}"


def small_size(size_mm: np.ndarray, usual_mm: Sequence[float] = ()) -> str | None:
    """A sentence where a part without a unit is small as mm, and larger units are likely too; else None.

    size_mm : shape (3,); usual_mm : as for ``smallest_mm`` [mm]
    """
    greatest, small = float(np.max(size_mm)), smallest_mm(usual_mm)[1]
    if greatest >= small:
        return None
    inch = _sides(size_mm * MM_PER["inch"])
    return (
        f"The file states no unit and was read as mm: {_sides(size_mm)} mm, a small part. If its numbers are inches "
        f"({inch} mm), say --unit inch."
    )


def _sides(size_mm: np.ndarray) -> str:
    return " x ".join(f"{side:.3g}" if side < 1000 else f"{side:,.0f}" for side in size_mm)


def _most_mm(build_mm: Iterable[float] | None) -> float:
    return GREATEST_MM if build_mm is None else TIMES_ROOM * max(build_mm, default=GREATEST_MM / TIMES_ROOM)


def ask_unit(
    name: str, size_mm: np.ndarray, build_mm: Iterable[float] | None = None, usual_mm: Sequence[float] = ()
) -> None:
    """Raise a MeshError that asks for the unit of a file without one whose size is absurd: it is never guessed.

    size_mm : shape (3,); build_mm, usual_mm : as for ``absurd_size`` [mm]
    """
    doubt = absurd_size(size_mm, build_mm, usual_mm)
    if doubt:
        raise MeshError(f"{name}: {doubt}", "If it is mm, say --unit mm.")
