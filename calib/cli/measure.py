"""``calib measure``"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.answer import Answer
from calib.cli.options import HERE, AsJson, ShopFolder


def measure(
    part: Annotated[
        Path,
        typer.Argument(
            metavar="PART",
            help="Part file: STL, 3MF, OBJ, PLY, or STEP with the extra calib[step]; or the path that an extruder will run.",
        ),
    ],
    layers: Annotated[
        float | None, typer.Option(metavar="MM", help="Also list the sections of layers this thick, in mm.")
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(metavar="UNIT", help="Unit of a file that carries none: mm, cm, m, inch, foot or micron."),
    ] = None,
    machine: Annotated[
        str | None, typer.Option(metavar="ID", help="Of a path: the machine of the shop that runs it.")
    ] = None,
    shop: ShopFolder = HERE,
    json: AsJson = False,
) -> Answer:
    """Measure a part as it lies in the file: volume, area, bounding box, closed or not, layers, supports.

    Of the path that an extruder will run (ISO 6983): its minutes by layer and kind of move. No shop is needed.

    Example: calib measure bracket.stl --layers 0.2

    Example: calib measure plate.gcode --machine ext-1
    """
    from calib.workflow.measure import is_path, measure_part, measure_path

    if is_path(part):
        return Answer("measure_path", measure_path(part, shop, machine))
    return Answer("measure", measure_part(part, layer_mm=layers, unit=unit))
