"""Every command in labs that hold next to nothing, or one absurd cell: it works, or it ends in a sentence."""

from __future__ import annotations

import csv
import io
import shutil
import struct

import pytest

from calib.cli.app import run
from calib.logs.columns import KINDS

BUILD = {"build_id": "B1", "process": "MEX", "machine": "ext-1", "parts": "2"}
STAGE = {"build_id": "B1", "stage": "printing", "started_at": "2026-01-05T08:00", "ended_at": "2026-01-05T12:00"}
ITEM = {"build_id": "B1", "order_id": "O1", "qty": "2"}
EVENT = {"at": "2026-01-05T08:00", "machine": "ext-1", "what": "new nozzle"}
ROWS = {"builds": BUILD, "stages": STAGE, "items": ITEM, "events": EVENT}
HELD = STAGE | {"build_id": "B9"}

# What is imported in each lab, one call of the import for each.
LABS: dict[str, list[tuple[str, dict[str, str]]]] = {
    "nothing": [],
    "events only": [("events", EVENT)],
    "held rows only": [("stages", HELD)],
    "one build": [("builds", BUILD)],
    "one planned build": [("builds", BUILD | {"planned": "true"})],
    "items only": [("items", ITEM)],
    "one row set aside": [("stages", STAGE | {"stage": "printng"})],
    "one open run": [("builds", BUILD), ("stages", STAGE | {"ended_at": ""})],
    "one void run": [("builds", BUILD), ("stages", STAGE | {"outcome": "void"})],
}
COMMANDS = (
    "fit", "fit --as-of 2026-01-01", "drift", "drift --accept MEX printing", "drift --since 2026-01-01", "backtest",
    "backtest --weeks 2", "report --out pages", "quotes", "promises", "accept Q00001", "why MEX printing", "rejects",
    "rejects --out mend", "rejects --drop all", "review", "review --answered", "review 1 --right", "pieces 5", "capacity",
    "predict plan.csv", "predict plan.csv --out plan-out.csv", "check", "check --mend", "export out", "backup", "restore",
    "map log.csv", "quote box.stl --qty 2 --seed 1", "compare box.stl --qty 1,2", "week log.csv --out pages", "fit",
    "undo", "undo", "undo", "undo", "fit", "backtest", "report --out pages", "drift", "week log.csv --out pages",
)  # fmt: skip
FIRST = (
    "fit",
    "backtest",
    "report --out pages",
    "drift",
    "week log.csv --out pages",
    "undo",
    "undo",
    "fit",
    "backtest",
)
ONCE_FITTED = ("fit", "fit", "drift", "backtest", "report --out pages", "why MEX printing", "pieces 5", "predict plan.csv",
               "check", "export out", "backup", "review", "rejects", "week log.csv --out pages", "undo", "fit")  # fmt: skip
LONG = "x" * 300
ODD_TEXTS = (LONG, "x" * 5000, "a\x00b", "../../up", "/etc/hosts", "nul\ud7ff", "..", ".", "-", "'", '"', "\u202eabc", "a/b\\c",
             "%s{0}", "null", "\U0001f600")  # fmt: skip
ODD_NUMBERS = ("1e308", "-1e308", "1e-308", "0", "-0.0", "9" * 400, "nan", "inf", "1e5", "1e12", "4e15")
ODD_STAMPS = ("0001-01-01T00:00", "1999-12-31T23:59", "2100-12-31T23:59", "9999-12-31T23:59", "2026-02-30T10:00")


def as_csv(*rows):
    out = io.StringIO()
    names = list(dict.fromkeys(name for row in rows for name in row))
    csv.writer(out).writerows([names, *([row.get(name, "") for name in names] for row in rows)])
    return out.getvalue()


def box(path, side=10.0):
    corners = [(x * side, y * side, z * side) for x in (0, 1) for y in (0, 1) for z in (0, 1)]
    faces = ((0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1), (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4),
             (1, 5, 7), (1, 7, 3))  # fmt: skip
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *corners[a], *corners[b], *corners[c], 0) for a, b, c in faces)
    path.write_bytes(b" " * 80 + struct.pack("<I", len(faces)) + body)


@pytest.fixture(scope="module")
def empty_once(tmp_path_factory):
    """A new lab with few draws, and files for commands that want one."""
    folder = tmp_path_factory.mktemp("empty") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/Berlin"]) == 0
    text = (folder / "shop.toml").read_text(encoding="utf-8")
    (folder / "shop.toml").write_text(text.replace("[quoting]\n", "[quoting]\ndraws = 200\n"), encoding="utf-8")
    (folder / "log.csv").write_text(as_csv(EVENT | {"at": "2026-01-06T09:00"}), encoding="utf-8")
    (folder / "plan.csv").write_text(as_csv(BUILD | {"build_id": "P1", "planned": "true"}), encoding="utf-8")
    box(folder / "box.stl")
    return folder


@pytest.fixture
def ends_well(empty_once, tmp_path, monkeypatch, capsys):
    """Imports rows into a new lab and calls commands there; returns what each said where it did not go well."""
    folder = tmp_path / "lab"
    shutil.copytree(empty_once, folder)
    monkeypatch.chdir(folder)
    monkeypatch.delenv("CALIB_SHOP", raising=False)

    def call(*words):
        capsys.readouterr()
        try:
            status = run([*words])
        except Exception as error:
            return f"{type(error).__name__}: {error}"
        answer = capsys.readouterr().err.strip()
        return "" if status == 0 or (status == 2 and answer.startswith("calib: ")) else f"status {status}: {answer}"

    def go(rows, commands):
        troubles = {}
        (folder / "came").mkdir()
        for kind in dict.fromkeys(kind for kind, _ in rows):
            path = folder / "came" / f"{kind}.csv"
            path.write_text(
                as_csv(*(row for one, row in rows if one == kind)), encoding="utf-8", errors="surrogatepass"
            )
            troubles["import"] = call("import", "came")
        troubles |= {command: call(*command.split()) for command in commands}
        return {command: trouble for command, trouble in troubles.items() if trouble}

    return go


@pytest.mark.parametrize("lab", ["events only", "held rows only"])
def test_the_first_commands_in_a_lab_with_next_to_nothing(lab, ends_well):
    assert ends_well(LABS[lab], FIRST) == {}


@pytest.mark.slow
@pytest.mark.parametrize("lab", LABS)
def test_every_command_in_a_lab_with_next_to_nothing(lab, ends_well):
    assert ends_well(LABS[lab], COMMANDS) == {}


def odd_rows(value, kinds):
    """A row for each column that can hold the value, absurd in that column only; its run belongs to its build."""
    for kind, columns in KINDS.items():
        for column in columns:
            if column.kind in kinds:
                name = f"B-{kind}-{column.name}"
                yield from rows_of_build(name, kind, {column.name: value})


def rows_of_build(name, kind, odd):
    build, stage = BUILD | {"build_id": name}, STAGE | {"build_id": name}
    rows = {"builds": build, "stages": stage, "items": ITEM | {"build_id": name}, "events": EVENT}
    if kind in ("builds", "stages") and "build_id" in odd:
        rows = {kind: row | odd for kind, row in rows.items()}
    return [("builds", rows["builds"]), ("stages", rows["stages"]), (kind, rows[kind] | odd)]


CELLS = [
    *((value, ("text", "word", "process", "stage", "flag")) for value in ODD_TEXTS),
    *((value, ("number",)) for value in ODD_NUMBERS),
    *((value, ("stamp", "date")) for value in ODD_STAMPS),
]


@pytest.mark.slow
def test_every_command_in_a_lab_with_absurd_cells(ends_well):
    rows = [
        (kind, row | ({"build_id": f"{number} {row['build_id']}"} if row.get("build_id", "").startswith("B-") else {}))
        for number, (value, kinds) in enumerate(CELLS)
        for kind, row in odd_rows(value, kinds)
    ]
    assert ends_well(rows, ONCE_FITTED) == {}
