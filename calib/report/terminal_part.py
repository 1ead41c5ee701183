"""What was measured of a part, or of a machine's path, as text."""

from __future__ import annotations

from calib.documents.part import Hollows, Layer, MeasureDocument, PathDocument, PathLayer
from calib.report.terminal import as_sentence, as_text, listed
from calib.report.units import count, duration, figure, known

BANDS = 16  # of layers, so that the picture fits a screen
BAR = 40
LAYING, OTHER = "█", "░"


def show_measure_path(doc: PathDocument) -> str:
    """Minutes by kind of move, then a bar for each band of layers."""
    size = " × ".join(figure(side) for side in doc["size_mm"])
    machine = doc["machine"]
    whose = (
        f"machine {machine['id']}" if machine["id"] else "an extruder as calib assumes it (--machine for one of yours)"
    )
    lines = [
        *(str(text) for text in listed(doc, "warnings")),
        f"Printing {duration(doc['printing_min'])} on {whose}.",
        f"Laying {duration(doc['laying_min'])}, travel {duration(doc['travel_min'])}, "
        f"pulling back and priming {duration(doc['material_min'])}, stops {duration(doc['dwell_min'])}, "
        f"heating between {duration(doc['heat_between_min'])}.",
        f"Before it, heating {duration(doc['heat_before_min'])}: part of the warm-up.",
        f"{count(doc['moves'], 'move')} in {count(len(doc['layers']), 'layer')}; what is laid is {size} mm.",
        f"Acceleration {machine['acceleration_mm_s2']:g} mm/s², corners at {machine['corner_speed_mm_s']:g} mm/s.",
    ]
    return as_text(*lines, *layer_bars(doc["layers"]))


def layer_bars(layers: list[PathLayer]) -> list[str]:
    """A line for each band of layers, the highest on top, as long as its minutes.

    >>> print("\\n".join(layer_bars([{"z_mm": z, "minutes": m, "laying_min": m / 2} for z, m in ((0.2, 4), (0.4, 2))])))
    Minutes by height; █ laying, ░ everything else.
      0.4 to   0.4 mm ██████████░░░░░░░░░░ 2 min
      0.2 to   0.2 mm ████████████████████░░░░░░░░░░░░░░░░░░░░ 4 min
    """
    each = -(-len(layers) // BANDS)
    bands = [layers[start : start + each] for start in range(0, len(layers), each)]
    longest = max(sum(layer["minutes"] for layer in band) for band in bands) or 1.0
    lines = ["Minutes by height; █ laying, ░ everything else."]
    for band in reversed(bands):
        minutes, laying = (sum(layer[name] for layer in band) for name in ("minutes", "laying_min"))
        whole, part = (round(BAR * value / longest) for value in (minutes, laying))
        bar = LAYING * part + OTHER * (whole - part)
        lines.append(f"{band[0]['z_mm']:5.1f} to {band[-1]['z_mm']:5.1f} mm {bar} {duration(minutes)}")
    return lines


def show_measure(doc: MeasureDocument) -> str:
    """Geometry of one part."""
    low, high = doc["bounds_mm"]
    size = " × ".join(figure(b - a) for a, b in zip(low, high, strict=True))
    volume = f"{figure(doc['volume_cm3'])} cm³" if known(doc["volume_cm3"]) else "not meaningful (the mesh is open)"
    lines = [
        *(as_sentence(text) for text in listed(doc, "warnings") + listed(doc, "notes")),
        f"Size {size} mm, volume {volume}, surface {figure(doc['area_cm2'])} cm².",
        f"{count(doc['bodies'], 'body', 'bodies')}, {'closed' if doc['watertight'] else 'not closed'} as found.",
    ]
    held = doc.get("supports")
    if held:
        lines.append(
            f"Supports as it lies, for surface flatter than {held['overhang_deg']:.0f}° from the horizontal: "
            f"{figure(held['volume_cm3'])} cm³ of space under it, {figure(held['contact_cm2'])} cm² touched."
        )
    lines += _hollow_lines(doc.get("hollows") or {})
    return as_text(*lines, *_layer_lines(doc.get("layers") or []))


def _hollow_lines(hollows: Hollows) -> list[str]:
    lines = []
    if hollows.get("sealed_cm3"):
        lines.append(f"Hollows without an opening: {figure(hollows['sealed_cm3'])} cm³.")
    if hollows.get("open_cm3"):
        widest = max(room["opening_mm"] for room in hollows["rooms"])
        lines.append(
            f"Hollows with an opening: {figure(hollows['open_cm3'])} cm³; openings {figure(hollows['opening_cm2'])} cm², "
            f"up to {figure(widest)} mm wide."
        )
    if hollows.get("narrow_cm3"):
        lines.append(f"Passages narrower than {hollows['narrow_mm']:g} mm: {figure(hollows['narrow_cm3'])} cm³.")
    return lines


def _layer_lines(layers: list[Layer], most: int = 12) -> list[str]:
    """Some layers, evenly spread; all of them are in the JSON."""
    if not layers:
        return []
    most = min(most, len(layers))
    shown = sorted({round(i * (len(layers) - 1) / max(most - 1, 1)) for i in range(most)})
    note = f", {len(shown)} of them here, all with --json" if len(shown) < len(layers) else ""
    return [
        f"{count(len(layers), 'layer')}{note}: height of the cut, section, perimeter.",
        *(
            f"  {layer['z_mm']:10.2f} mm  {figure(layer['area_mm2'] / 100):>9} cm²  {figure(layer['perimeter_mm']):>9} mm"
            for layer in (layers[place] for place in shown)
        ),
    ]
