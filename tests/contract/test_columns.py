"""Every column of the four kinds of log: what it takes, and what it does not."""

from __future__ import annotations

import csv
import io

import pytest

GOOD = {
    "builds": {
        "build_id": "B1", "process": "PBF", "machine": "pbf1", "parts": "3", "material": "pa12", "material_lot": "L-7",
        "fresh_share": "0.5", "layer_mm": "0.11", "part_file": "gauge.stl", "part_volume_cm3": "12.5",
        "part_area_cm2": "40", "support_volume_cm3": "0", "support_contact_cm2": "0", "height_mm": "80",
        "packed_volume_cm3": "900", "announced_min": "610", "material_g": "14", "material_ml": "15", "layers": "727",
        "infill": "20", "nozzle_mm": "0.4", "exposure_s": "2.5", "difficulty": "Intricate", "finish": "blasted",
        "planned": "false", "order_id": "O1+O2", "quote_id": "Q1",
    },
    "stages": {
        "build_id": "B1", "order_id": "O1", "stage": "breakout+part_cleaning+blasting", "started_at": "2026-01-05T08:00",
        "ended_at": "2026-01-05T09:00:30+01:00", "date": "2026-01-05", "work_min": "60", "station": "bench",
        "operator": "crew 2", "crew_size": "2", "paused_min": "5", "touch_min": "50", "parts": "3", "parts_good": "2",
        "outcome": "failed", "attempt": "2", "ended_by": "found", "run_id": "r-1", "note": "powder, \"wet\"\nagain",
    },
    "items": {
        "build_id": "B1", "order_id": "O1", "quote_id": "Q1", "part_file": "gauge.stl", "qty": "2", "qty_good": "1",
        "finish": "as_built",
    },
    "events": {"at": "2026-01-05T08:00", "machine": "pbf1", "station": "bench", "what": "new lamp", "note": "by post"},
}  # fmt: skip
BAD = {
    "builds": {
        "build_id": [""], "process": ["", "LFT"], "machine": [""], "parts": ["", "0", "1.5", "-1", "many"],
        "fresh_share": ["-0.1", "1.1"], "layer_mm": ["0"], "part_volume_cm3": ["0", "-2"], "part_area_cm2": ["0"],
        "support_volume_cm3": ["-1"], "support_contact_cm2": ["-1"], "height_mm": ["0"], "packed_volume_cm3": ["0"],
        "announced_min": ["0", "nan", "inf"], "material_g": ["0"], "material_ml": ["0"], "layers": ["0", "2.5"],
        "infill": ["-1", "101"], "nozzle_mm": ["0"], "exposure_s": ["0"], "difficulty": ["hard"], "finish": ["shiny"],
        "planned": ["perhaps"],
    },
    "stages": {
        "stage": ["", "prnting", "printing+printing"], "started_at": ["", "yesterday", "2026-01-05"], "ended_at": ["2026-01-05T08:00", "x"],
        "date": ["2026-02-30"], "work_min": ["0", "-5", "an hour"], "crew_size": ["0"], "paused_min": ["-1", "61"],
        "touch_min": ["-1"], "parts": ["-1", "1.5"], "parts_good": ["-1", "4"], "outcome": ["fine"], "attempt": ["0", "1.5"],
        "ended_by": ["nobody"],
    },
    "items": {"build_id": [""], "qty": ["", "0", "1.5"], "qty_good": ["-1", "3"], "finish": ["shiny"]},
    "events": {"at": ["", "soon"], "what": [""]},
}  # fmt: skip
NEEDED = {
    "builds": {"build_id", "process", "machine", "parts"}, "stages": {"build_id", "stage", "started_at"},
    "items": {"build_id", "qty"}, "events": {"at", "what"},
}  # fmt: skip


def table(rows):
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize("kind", GOOD)
def test_every_column_is_stored_and_comes_back(lab, fates, kind):
    document = lab.take(table([GOOD[kind]]))
    assert (document["files"][0]["kind"], document["files"][0]["kept_columns"]) == (kind, [])
    assert fates(document) == ((0, 0, 0, 1, 0) if kind == "stages" else (1, 0, 0, 0, 0))
    lab.call("export", str(lab.folder.parent / "out"), "--only", "csv")
    written = (lab.folder.parent / "out" / f"{kind}.csv").read_bytes().decode()
    (row,) = csv.DictReader(io.StringIO(written, newline=""))
    for name, given in GOOD[kind].items():
        if name in ("started_at", "ended_at", "at"):
            assert row[name].endswith("Z"), name
        elif name == "operator":
            assert row[name].startswith("P-")
        else:
            got = row[name]
            assert got == given.lower() if name == "difficulty" else got in (given, f"{given}.0"), name


@pytest.mark.parametrize("kind", BAD)
def test_what_a_column_does_not_take_sets_the_row_aside_with_line_column_and_value(lab, fates, kind):
    usual = GOOD[kind] | {"run_id": ""} if kind == "stages" else GOOD[kind]
    cases = [(name, value) for name, values in BAD[kind].items() for value in values]
    document = lab.take(table([usual | {name: value} | alone(kind, name) for name, value in cases]))
    assert fates(document) == (0, 0, 0, 0, len(cases))
    answer = {
        (line, column): value
        for line, column, value in lab.rows(f"SELECT line, column_name, value FROM quarantine WHERE kind = '{kind}'")
    }
    lines = lines_of(table([usual | {name: value} | alone(kind, name) for name, value in cases]))
    for (name, value), line in zip(cases, lines, strict=True):
        assert (line, name) in answer, (name, value, sorted(answer))
        assert (answer[line, name] or "") == value


def alone(kind, name):
    """Without what would make up for an empty start."""
    return {"date": "", "work_min": ""} if kind == "stages" and name == "started_at" else {}


def lines_of(text):
    reader = csv.reader(io.StringIO(text, newline=""))
    lines = [reader.line_num + 1 for _ in reader]
    return lines[:-1]


@pytest.mark.parametrize("kind", NEEDED)
def test_empty_cells_are_not_known_and_never_zero(lab, fates, kind):
    document = lab.take(table([{name: value if name in NEEDED[kind] else "" for name, value in GOOD[kind].items()}]))
    assert sum(fates(document)[:1]) + document["files"][0]["rows_held"] == 1
    store = {"builds": "build", "stages": "stage_run", "items": "item", "events": "event"}[kind]
    others = [name for name in GOOD[kind] if name not in NEEDED[kind]]
    (row,) = lab.rows(f"SELECT {', '.join(others)} FROM {store}")
    assert set(row) == {None}


def test_the_kind_of_a_file_is_told_from_its_columns_in_any_order(lab):
    for kind, row in GOOD.items():
        backwards = dict(reversed(row.items()))
        assert lab.take(table([backwards]))["files"][0]["kind"] == kind


BASES = {
    "part_volume_cm3,height_mm": ("40,30", "volume"), "announced_min": ("95", "announced"),
    "material_g,layers": ("50,200", "mass_layers"), "material_ml": ("40", "mass_layers"), "layers": ("300", "mass_layers"),
    "material": ("pla", "count"),
}  # fmt: skip


@pytest.mark.parametrize("columns", BASES)
def test_the_baseline_says_the_best_basis_that_a_row_allows(lab, columns):
    values, basis = BASES[columns]
    plan = lab.write(f"build_id,process,machine,parts,{columns}\nP1,MEX,mex1,3,{values}\n")
    rows = lab.document("predict", str(plan))["predictions"]
    assert {row["baseline_basis"] for row in rows} == {basis}
    printing = next(row for row in rows if row["stage"] == "printing")
    assert printing["p05_min"] < printing["p50_min"] < printing["p95_min"]
    if basis == "announced":
        assert printing["baseline_min"] == 95
