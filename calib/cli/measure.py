"""``calib measure``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import AsJson


def measure(
    part: Annotated[
        Path, typer.Argument(metavar="PART", help="Part file: STL, 3MF, OBJ, PLY, or STEP with the extra calib[step].")
    ],
    layers: Annotated[
        float | None, typer.Option(metavar="MM", help="Also list the sections of layers this thick, in mm.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of a file that carries none: mm, cm, m, inch, foot or micron.")
    ] = None,
    json: AsJson = False,
) -> Answer:
    """Measure a part as it lies in the file: volume, area, bounding box, closed or not, layers, supports.

    Example: calib measure bracket.stl --layers 0.2
    """
    from calib.workflow.measure import measure_part

    return Answer("measure", measure_part(part, layer_mm=layers, unit=unit))
