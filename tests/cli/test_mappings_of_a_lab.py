"""A lab whose machine, office and bench each write logs of their own shape: each log is read by the mapping that fits it."""

from __future__ import annotations

import json
import shutil

import pytest
from openpyxl import Workbook, load_workbook

MACHINE = (
    "Job;Printer;Started;Finished;Pieces;Resin\n"
    "R-1;vpp1;12.01.2026 08:00;12.01.2026 12:00;3;clear\n"
    "R-2;vpp1;13.01.2026 08:00;13.01.2026 13:00;4;clear\n"
)
MACHINE_BUILDS = (
    'kind = "builds"\n[columns]\nbuild_id = "Job"\nmachine = "Printer"\nparts = "Pieces"\nmaterial = "Resin"\n'
    '[defaults]\nprocess = "VPP"\n'
)
MACHINE_RUNS = (
    'kind = "stages"\n[columns]\nbuild_id = "Job"\nstation = "Printer"\nstarted_at = "Started"\nended_at = "Finished"\n'
    '[formats]\nstarted_at = "%d.%m.%Y %H:%M"\nended_at = "%d.%m.%Y %H:%M"\n[defaults]\nstage = "printing"\n'
)
OFFICE = (["Auftrag", "Arbeitsschritt", "Tag", "Minuten"], ["R-1", "Waschen", "2026-01-12", 20])
OFFICE_MAP = (
    'kind = "stages"\n[columns]\nbuild_id = "Auftrag"\nstage = "Arbeitsschritt"\ndate = "Tag"\nwork_min = "Minuten"\n'
    '[stages]\n"Waschen" = "washing"\n'
)
BENCH = "ref,task,day,took\nR-1,packing,2026-01-13,12\nR-2,packing,2026-01-14,15\n"
BENCH_MAP = 'kind = "stages"\n[columns]\nbuild_id = "ref"\nstage = "task"\ndate = "day"\nwork_min = "took"\n'
MAPPINGS = {"builds": MACHINE_BUILDS, "runs": MACHINE_RUNS, "office": OFFICE_MAP, "bench": BENCH_MAP}


@pytest.fixture
def mixed(lab):
    """The lab with a folder of three foreign logs and one of ours, and four mappings in its folder ``maps``."""
    logs = lab / "mixed"
    logs.mkdir()
    (logs / "machine.csv").write_text(MACHINE, encoding="utf-8")
    (logs / "bench.csv").write_text(BENCH, encoding="utf-8")
    shutil.copy(lab / "logs" / "builds.csv", logs / "ours.csv")
    book = Workbook()
    book.active.title = "Hinweise"
    book.active.append(["Bitte täglich ausfüllen"])
    for month in ("Januar", "Februar"):
        sheet = book.create_sheet(month)
        for row in OFFICE:
            sheet.append(row)
    book.save(logs / "werkstatt.xlsx")
    (lab / "maps").mkdir()
    for name, text in MAPPINGS.items():
        (lab / "maps" / f"{name}.map.toml").write_text(text, encoding="utf-8")
    return lab


def read(document):
    """What each log brought: name and sheet, kind, rows read."""
    return sorted((file["path"].rpartition("/")[2], file["kind"], file["rows_read"]) for file in document["files"])


ALL = [("bench.csv", "stages", 2), ("machine.csv", "builds", 2), ("machine.csv", "stages", 2), ("ours.csv", "builds", 2),
       ("werkstatt.xlsx#Februar", "stages", 1), ("werkstatt.xlsx#Januar", "stages", 1)]  # fmt: skip


def test_each_log_is_read_by_the_mapping_in_the_shops_folder_that_fits_it(mixed, document):
    found = document("import mixed")
    assert read(found) == ALL
    assert not any(file["rows_quarantined"] or file["rows_held"] or file["error"] for file in found["files"])
    again = document("import mixed")
    assert read(again) == ALL
    assert [file["rows_not_read_again"] for file in again["files"]] == [file["rows_read"] for file in again["files"]]


def test_sheets_of_ours_beside_one_of_theirs_are_read_too(mixed, document):
    book = load_workbook(mixed / "mixed" / "werkstatt.xlsx")
    for row in (["build_id", "process", "machine", "parts"], ["R-1", "SLA", "vpp1", 3]):
        book["Hinweise"].append(row)
    book.save(mixed / "mixed" / "werkstatt.xlsx")
    assert read(document("import mixed/werkstatt.xlsx")) == [
        ("werkstatt.xlsx#Februar", "stages", 1), ("werkstatt.xlsx#Hinweise", "builds", 1), ("werkstatt.xlsx#Januar", "stages", 1),
    ]  # fmt: skip


def test_the_same_by_an_option_for_each_mapping(mixed, document):
    (mixed / "maps").rename(mixed / "elsewhere")
    options = [word for name in MAPPINGS for word in ("--map", f"elsewhere/{name}.map.toml")]
    assert read(document("import mixed", *options)) == ALL


def test_a_mapping_that_is_named_is_the_only_one(mixed, document):
    found = document("import mixed --map maps/bench.map.toml")
    assert [(file["path"], file["is_unknown"]) for file in found["files"] if file["error"]] == [
        ("mixed/machine.csv", True), ("mixed/werkstatt.xlsx", True),
    ]  # fmt: skip
    assert [step["command"] for step in found["next_steps"]][:2] == [
        "calib map mixed/machine.csv", "calib map mixed/werkstatt.xlsx",
    ]  # fmt: skip


def test_a_mapping_that_is_named_and_reads_nothing_is_told(mixed, document):
    found = document("import mixed/ours.csv mixed/bench.csv --map maps/bench.map.toml --map maps/office.map.toml")
    assert [answer for answer in found["warnings"] if "was named" in answer] == [
        "maps/office.map.toml was named, and fits none of these logs."
    ]
    again = document("import mixed/ours.csv mixed/bench.csv --map maps/bench.map.toml --map maps/office.map.toml")
    assert not [answer for answer in again["warnings"] if "was named" in answer]  # nothing is read that was read before
    assert not [answer for answer in document("import mixed")["warnings"] if "was named" in answer]


def test_two_mappings_that_fit_one_log_are_named_and_the_others_come_in(mixed, document):
    (mixed / "maps" / "second.toml").write_text(BENCH_MAP.replace("took", "task"), encoding="utf-8")
    (mixed / "maps" / "third.toml").write_text(BENCH_MAP + '[units]\nwork_min = "h"\n', encoding="utf-8")
    (error,) = [file for file in document("import mixed")["files"] if file["error"]]
    assert error["error"] == (
        "mixed/bench.csv has the columns of 2 mappings, maps/bench.map.toml and maps/third.toml."
    )  # the second asks for one column less, so it is not the one that was made for it
    assert error["hint"] == "Name the right one with --map, or take the other one out of the shop's folder maps."


def test_a_log_that_lost_a_column_it_can_do_without_is_still_read_and_that_is_said(mixed, document):
    short = "".join(",".join(line.split(",")[:3]) + "\n" for line in BENCH.splitlines())
    (mixed / "mixed" / "bench.csv").write_text(short, encoding="utf-8")
    found = document("import mixed/bench.csv")
    assert read(found) == [("bench.csv", "stages", 2)]
    assert "mixed/bench.csv: the mapping names columns that are not there: took." in found["warnings"]


def test_a_mapping_without_columns_reads_no_log_of_another_kind(mixed, document):
    (mixed / "maps" / "always.toml").write_text('kind = "stages"\nzone = "Europe/Lisbon"\n', encoding="utf-8")
    found = document("import mixed")
    assert read(found) == ALL
    assert not any(file["rows_quarantined"] or file["error"] for file in found["files"])


@pytest.mark.parametrize(
    "shape",
    [
        '[columns]\nbuild_id = "Job"\n[wide]\nwashing = ["Wash from", "Wash to"]\n',
        '[columns]\nbuild_id = "Job"\n[defaults]\nstage = "printing"\n'
        '[start_stop]\nevent = "What"\nat = "When"\nsame = "Job"\nstart = "on"\nstop = "off"\n',
    ],
    ids=["a column for each stage", "starts and stops"],
)
def test_a_table_that_shares_but_the_job_with_a_mapping_is_no_log(lab, calib, shape):
    (lab / "maps").mkdir()
    (lab / "maps" / "shape.toml").write_text('kind = "stages"\n' + shape, encoding="utf-8")
    (lab / "prices.csv").write_text("Job,Customer,Price\nR-1,Ada,12\n", encoding="utf-8")
    status, _, err = calib("import prices.csv")
    assert status == 2
    assert "its columns (Job, Customer, Price) are those of no log that calib knows" in err


def test_a_log_that_no_mapping_fits_is_told_why_and_what_to_do(mixed, calib):
    (mixed / "more").mkdir()
    strange = mixed / "more" / "new log.csv"
    strange.write_text("Wer,Wann,Was\nAda,heute,nichts\n", encoding="utf-8")
    status, _, err = calib(f"import --shop {mixed}", str(strange))
    assert status == 2
    assert "are those of no log that calib knows; none of 4 mappings names any of them." in err
    assert err.endswith(f"calib map '{strange}' --shop {mixed}\n")


def test_commands_can_be_copied_for_a_shop_and_logs_with_blanks_in_their_names(mixed, document, monkeypatch):
    monkeypatch.chdir(mixed.parent)
    shop, log = mixed.rename(mixed.parent / "our lab"), "our lab/mixed/bench.csv"
    found = document("import", log, "--map", "our lab/maps/bench.map.toml", "--dry-run", "--shop", shop.name)
    (step,) = found["next_steps"]
    assert step["command"] == f"calib import '{log}' --map 'our lab/maps/bench.map.toml' --shop 'our lab'"


def test_of_several_mappings_the_nearest_one_says_what_a_log_lacks(mixed, calib):
    (mixed / "bench 2.csv").write_text("ref,day,took,who\nR-1,2026-01-13,12,Ada\n", encoding="utf-8")
    answer = 'the nearest of 4 mappings, maps/bench.map.toml, names "task", which it lacks.'
    assert answer in calib("import", "bench 2.csv")[2]


def test_what_two_mappings_read_is_told_once_and_a_column_only_if_neither_names_it(mixed, document):
    found = document("import mixed/machine.csv")
    kept = [file["kept_columns"] for file in found["files"]]
    assert kept == [["Started", "Finished"], ["Pieces", "Resin"]]
    assert not any("machine.csv" in answer for answer in found["warnings"])
    (mixed / "mixed" / "machine.csv").write_text(MACHINE.replace("\n", ";x\n"), encoding="utf-8")
    answer = [one for one in document("import mixed/machine.csv")["warnings"] if "machine.csv" in one]
    assert answer == ["mixed/machine.csv: columns that calib does not know were kept untouched: x."]


def test_of_a_log_of_ours_that_has_grown_only_the_end_is_read_and_a_mapped_one_as_a_whole(mixed, document):
    document("import mixed")
    for name, more in (("ours.csv", "B3,SLA,vpp1,2,O3\n"), ("bench.csv", "R-2,sanding,2026-01-15,30\n")):
        with (mixed / "mixed" / name).open("a", encoding="utf-8") as out:
            out.write(more)
    found = {file["path"]: file for file in document("import mixed/ours.csv mixed/bench.csv")["files"]}
    counted = {path: (file["rows_read"], file["rows_new"], file["rows_not_read_again"]) for path, file in found.items()}
    assert counted == {"mixed/ours.csv": (3, 1, 2), "mixed/bench.csv": (3, 1, 0)}


def test_the_weekly_run_takes_the_rest_and_names_the_command_for_a_log_that_no_mapping_fits(mixed, calib):
    (mixed / "mixed" / "neu.csv").write_text("Wer,Wann,Was\nAda,heute,nichts\n", encoding="utf-8")
    status, out, _ = calib("week mixed")
    assert status == 0
    assert "Not read: mixed/neu.csv: its columns (Wer, Wann, Was) are those of no log that calib knows" in out
    assert "\n  calib map mixed/neu.csv  propose how its columns become ours\n" in out
    assert list((mixed / "pages").glob("week-*.html"))
    status, out, _ = calib("week mixed --json")
    assert (status, json.loads(out)["quiet"]) == (0, False)


def test_where_several_logs_cannot_be_read_all_are_named(mixed, calib):
    for name in ("eins.csv", "zwei.csv", "drei.csv"):
        (mixed / name).write_text("Wer,Wann\nAda,heute\n", encoding="utf-8")
    status, out, err = calib("week eins.csv zwei.csv drei.csv")
    assert (status, out) == (2, "")
    assert err.startswith("calib: eins.csv: its columns (Wer, Wann)")
    assert "Nor could zwei.csv, drei.csv be read." in err
    assert not (mixed / "pages").exists()


def test_a_broken_mapping_in_the_folder_is_named_and_nothing_is_imported(mixed, calib):
    (mixed / "maps" / "bad.toml").write_text("[colums]\n", encoding="utf-8")
    status, out, err = calib("import mixed")
    assert (status, out) == (2, "")
    assert 'maps/bad.toml has 1 problem:\n  line 1, "colums" is no key of a mapping; did you mean columns?' in err


def test_a_mapping_is_proposed_with_where_to_keep_it(mixed, calib, document):
    for path in (mixed / "maps").iterdir():
        path.unlink()
    assert "moved to maps, it needs no --map" in calib("map mixed/bench.csv")[1]
    (mixed / "bench.map.toml").rename(mixed / "maps" / "bench.map.toml")
    assert read(document("import mixed/bench.csv")) == [("bench.csv", "stages", 2)]
