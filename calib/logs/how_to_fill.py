"""What each column of a log means, and a filled row of each kind: for the guide beside the templates, and their headers.

The examples stand in a page of their own: in the templates themselves somebody would import them.
"""

from __future__ import annotations

from calib.logs.columns import KINDS

MEANING = {
    "build_id": "the build; several that shared a load are joined by +",
    "process": "MEX, VPP or PBF; the older words of the trade are understood",
    "machine": "its id in the shop file",
    "parts": "number of parts",
    "material": "its id in the shop file",
    "material_lot": "lot, as on the label",
    "fresh_share": "PBF: share of fresh powder, 0 to 1",
    "layer_mm": "layer thickness [mm]; empty: the machine's usual one",
    "part_file": "mesh in the shop's folder parts",
    "path_file": "path that the machine runs, in the shop's folder paths",
    "part_volume_cm3": "all parts together, as built [cm3]",
    "part_area_cm2": "surface of all parts together [cm2]",
    "support_volume_cm3": "all supports together [cm3]; 0 where there are none",
    "support_contact_cm2": "where supports touch the parts [cm2]",
    "height_mm": "height of the build with supports and raft [mm]",
    "packed_volume_cm3": "PBF: volume of the powder cake [cm3]",
    "announced_min": "print minutes that the machine or its preparation announced",
    "material_g": "material used [g]",
    "material_ml": "material used [ml]",
    "layers": "number of layers",
    "infill": "share of the inside that is filled, 0 to 1: 0.2, and 1 is solid; 2 to 100 are read as per cent",
    "nozzle_mm": "nozzle's bore [mm]",
    "exposure_s": "exposure of a layer [s]",
    "difficulty": "plain, normal (if empty) or intricate",
    "finish": "as_built, supports_off, blasted or sanded",
    "planned": "true for a build that has not run",
    "order_id": "the order; several are joined by +",
    "quote_id": "the quote that it fulfils",
    "stage": "what was done; a row that covers several is written breakout+part_cleaning",
    "started_at": "day and time, such as 2026-11-20T08:30",
    "ended_at": "day and time; empty while it runs",
    "date": "the day, where no times were noted",
    "work_min": "minutes of work, where no times were noted",
    "station": "machine, bath, oven or bench",
    "operator": "who did it; becomes an alias unless the shop file says otherwise",
    "crew_size": "people at once; empty: 1",
    "paused_min": "minutes of pauses, taken off",
    "touch_min": "minutes that hands were on it, where known",
    "parts_good": "good parts after it",
    "outcome": "done (if empty), stopped, failed, skipped or void",
    "attempt": "2, 3 ... for work done again; empty: 1",
    "ended_by": "machine, person, or found (somebody saw later that it had ended)",
    "run_id": "a text of its own, where your system gives one",
    "note": "any text",
    "qty": "pieces of this order in the build",
    "qty_good": "good ones of these",
    "at": "day and time of what happened",
    "what": "new lamp, fresh solvent, another firmware, a move ...",
}
NEEDED = {"stages": "build_id or order_id; stage; started_at, or date and work_min"}
EXAMPLES: dict[str, list[dict[str, str]]] = {
    "builds": [
        {"build_id": "B104", "process": "VPP", "machine": "vpp1", "parts": "6", "material": "resin",
         "part_volume_cm3": "84", "height_mm": "61", "order_id": "O31"},
    ],
    "stages": [
        {"build_id": "B104", "stage": "printing", "started_at": "2026-11-20T08:30", "ended_at": "2026-11-20T13:10",
         "station": "vpp1", "ended_by": "machine"},
        {"build_id": "B104+B105", "stage": "washing", "started_at": "2026-11-20T13:40", "ended_at": "2026-11-20T13:58",
         "station": "wash", "operator": "AQ"},
        {"build_id": "B104", "stage": "support_removal", "date": "2026-11-20", "work_min": "45", "operator": "AQ"},
    ],
    "items": [
        {"build_id": "B104", "order_id": "O31", "part_file": "float_housing.stl", "qty": "4", "qty_good": "4"},
        {"build_id": "B104", "order_id": "O32", "part_file": "sensor_bracket.stl", "qty": "2", "qty_good": "1"},
    ],
    "events": [{"at": "2026-11-18T16:00", "station": "wash", "what": "fresh solvent"}],
}  # fmt: skip


def fill_guide() -> str:
    """The guide as Markdown: for each kind of log its example as CSV, then what every column means."""
    return "\n".join(["# How to fill the logs", "", _INTRO, *(line for kind in KINDS for line in _of_kind(kind))])


_INTRO = """\
Fill `logs.xlsx` or a copy of a CSV file, and import it; columns may be left out, and stand in any order. An empty cell
means 'not known'. Times without an offset are in the shop's zone. The rows below are examples, not to be imported."""


def example_csv(kind: str) -> str:
    """The example rows with the columns that they fill."""
    rows = EXAMPLES[kind]
    names = [column.name for column in KINDS[kind] if any(column.name in row for row in rows)]
    return "\n".join([",".join(names), *(",".join(row.get(name, "") for name in names) for row in rows)]) + "\n"


def _of_kind(kind: str) -> list[str]:
    needed = NEEDED.get(kind) or ", ".join(column.name for column in KINDS[kind] if column.needed)
    lines = [f"- `{column.name}`: {MEANING[column.name]}" for column in KINDS[kind]]
    return ["", f"## {kind}", "", "```", example_csv(kind) + "```", "", f"Needed: {needed}.", "", *lines]
