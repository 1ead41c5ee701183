"""What a command says to a person: its document as a short text with tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from io import StringIO
from typing import Any

from rich import box
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from calib.report.units import count, figure, known, stage_name

Document = Mapping[str, Any]
WIDTH = 110


def as_text(*shown: RenderableType, width: int = WIDTH) -> str:
    """Plain text of tables and sentences, without colours: it may go to a file."""
    out = StringIO()
    console = Console(file=out, width=width, no_color=True, highlight=False, legacy_windows=False)
    for one in shown:
        console.print(Text(one) if isinstance(one, str) else one, soft_wrap=isinstance(one, str))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def table(columns: str, rows: Iterable[Iterable[Any]]) -> Table:
    """Columns are named in one text, numbers (named with a leading '>') to the right."""
    made = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name in columns.split("|"):
        made.add_column(name.lstrip(">"), justify="right" if name.startswith(">") else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return made


def listed(doc: Document, key: str) -> list[Any]:
    return [one for one in (doc.get(key) or ()) if one]


def told(one: Any) -> str:
    """A sentence as it stands, or a record as 'key value, key value'."""
    if isinstance(one, Mapping):
        return ", ".join(f"{stage_name(str(key))} {value}" for key, value in one.items() if value is not None)
    return str(one)


def show_measure(doc: Document) -> str:
    """Geometry of one part."""
    low, high = doc["bounds_mm"]
    size = " × ".join(figure(b - a) for a, b in zip(low, high, strict=True))
    volume = f"{figure(doc['volume_cm3'])} cm³" if known(doc["volume_cm3"]) else "not meaningful (the mesh is open)"
    lines = [
        *(told(one) for one in listed(doc, "warnings") + listed(doc, "notes")),
        f"Size {size} mm, volume {volume}, surface {figure(doc['area_cm2'])} cm².",
        f"{count(doc['bodies'], 'body', 'bodies')}, {'closed' if doc['watertight'] else 'not closed'} as found.",
    ]
    held = doc.get("supports")
    if held:
        lines.append(
            f"Supports as it lies, for surface flatter than {held['overhang_deg']:.0f}° from the horizontal: "
            f"{figure(held['volume_cm3'])} cm³ of space under it, {figure(held['contact_cm2'])} cm² touched."
        )
    return as_text(*lines, *_layer_lines(doc.get("layers") or []))


def _layer_lines(layers: list[Document], most: int = 12) -> list[str]:
    """Some layers, evenly spread; all of them are in the JSON."""
    if not layers:
        return []
    most = min(most, len(layers))
    shown = sorted({round(i * (len(layers) - 1) / max(most - 1, 1)) for i in range(most)})
    note = f", {len(shown)} of them here, all with --json" if len(shown) < len(layers) else ""
    return [
        f"{count(len(layers), 'layer')}{note}: height of the cut, section, perimeter.",
        *(
            f"  {one['z_mm']:10.2f} mm  {figure(one['area_mm2'] / 100):>9} cm²  {figure(one['perimeter_mm']):>9} mm"
            for one in (layers[place] for place in shown)
        ),
    ]
