"""Rows set aside, the last import taken back, check, export, backup and restore, a person forgotten: as a person uses them."""

from __future__ import annotations

import gzip

from calib.store.open_store import STORE_NAME


def test_rows_set_aside_are_listed_written_out_mended(lab, calib, document):
    status, out, _ = calib("rejects --out to-mend")
    assert status == 0
    assert '1  stages.csv line 6, stage "printng" is no stage; did you mean printing' in out
    assert "then: calib import to-mend/quarantine_stages.csv" in out
    path = lab / "to-mend" / "quarantine_stages.csv"
    path.write_text(path.read_text(encoding="utf-8-sig").replace(",printng,", ",printing,"))
    assert document("import to-mend")["files"][0]["rows_new"] == 1
    assert calib("rejects")[1] == "No row is set aside.\n"


def test_rows_set_aside_are_dropped_and_opened_again(lab, calib):
    assert "1 row changed." in calib("rejects --drop 1")[1]
    assert calib("rejects")[1] == "No row is set aside.\n"
    assert "printng" in calib("rejects --dropped")[1]
    assert "printng" in calib("rejects --reopen all")[1]
    status, _, err = calib("rejects --drop 9")
    assert status == 2
    assert err == 'calib: No row "9" is set aside. Their numbers: calib set-aside\n'
    assert calib(f"rejects --drop {10**20}")[0] == 2
    assert '"one" is no list of numbers' in calib("rejects --drop one")[2]


def test_rejects_is_the_older_name_of_set_aside(lab, calib):
    assert calib("set-aside") == calib("rejects")
    assert "printng" in calib("set-aside")[1]


def test_how_a_fill_of_1_or_15_was_read_is_said(lab, calib):
    """A share is meant: 1 is solid, and what is above it can only be per cent."""
    head = "build_id,process,machine,parts,material,infill"
    builds = ("F1,MEX,mex1,1,pla,15", "F2,MEX,mex1,1,pla,1", "F3,MEX,mex1,1,pla,0.2", "F4,MEX,mex1,1,pla,15")
    (lab / "fills.csv").write_text("\n".join([head, *builds, ""]))
    answer = [line for line in calib("import fills.csv")[1].splitlines() if "infill" in line]
    assert [line.strip().removeprefix("Note: ") for line in answer] == [
        "infill 1 of build F2 is read as solid; 1 % is written 0.01.",
        "infill 15 of build F1 and 1 more is read as 15 %, written 0.15.",
    ]


def test_the_last_import_is_taken_back(lab, calib, document):
    (lab / "more.csv").write_text("build_id,stage,date,work_min\nB1,sanding,2026-01-08,30\n")
    calib("import more.csv")
    assert "(more.csv) would be taken back: 1 row out." in calib("undo --dry-run")[1]
    assert "(more.csv) was taken back: 1 row out." in calib("undo")[1]
    assert document("import more.csv")["files"][0]["rows_new"] == 1


def test_a_fit_is_old_once_its_logs_were_taken_back(lab, calib, document):
    calib("fit")
    assert not any("since the last fit" in text for text in document("predict logs/builds.csv")["warnings"])
    calib("undo")
    assert "The logs have changed since the last fit" in document("predict logs/builds.csv")["warnings"][0]


def test_a_sound_store_is_said_to_be_sound(lab, calib):
    assert calib("check") == (0, "The store is sound.\n", "")


def test_an_export_changes_nothing_when_it_is_imported(lab, calib, document):
    assert "out/stages.parquet" in calib("export out")[1]
    files = document("import out")["files"]
    assert {file["rows_repeated"] == file["rows_read"] for file in files} == {True}
    assert calib("export out --only xml")[2] == 'calib: "xml" is no format that calib writes. Say csv or parquet.\n'


def test_backup_and_restore_name_what_they_did(lab, calib):
    calib("backup")
    (lab / "more.csv").write_text("build_id,stage,date,work_min\nB1,sanding,2026-01-08,30\n")
    calib("import more.csv")
    status, out, _ = calib("restore")
    assert status == 0
    assert "is the store again. The store that was there is kept as shop.replaced-" in out
    assert "1 row waiting" not in calib("import more.csv --dry-run")[1]


def test_forgetting_names_every_file_that_still_holds_the_person(lab, calib, document):
    alias = document("export out --only parquet") and document("review 1 --right --note", "Ada")["verdict_note"]
    calib("backup")
    calib("fit")
    with gzip.open(lab / "logs" / "old.csv.gz", "wt") as out:
        out.write("who\nAda Quill\n")
    answer = document("forget", "Ada Quill", "--yes")
    assert answer["alias"] == alias
    assert len(answer["backups"]) == 2  # the one that was made, and the copy before forgetting
    assert answer["files"] == ["logs/old.csv.gz", "logs/stages.csv", "out/stages.parquet"]
    stored = (lab / STORE_NAME).read_bytes().lower()
    assert not any(trace in stored for trace in (b"quill", alias.lower().encode()))
    assert calib("check")[1] == "The store is sound.\n"
    status, out, _ = calib("forget", "Ada Quill", "--backups", "--yes")
    assert status == 0
    assert "Also in backups/" in out
    assert calib("forget", "Nobody Here", "--yes")[2].startswith('calib: Nobody called "Nobody Here" is in the store: ')


def test_a_replaced_store_forgets_too(lab, calib, document):
    calib("backup")
    calib("restore")
    (old,) = lab.glob("*.replaced-*.duckdb")
    alias = document("forget", "Ada Quill", "--backups", "--yes")["alias"]
    assert alias.lower().encode() not in old.read_bytes().lower()


def test_a_machine_that_shares_a_word_with_a_person_keeps_its_name(lab, calib, document):
    (lab / "ada.csv").write_text("build_id,stage,date,work_min,station\nB1,sanding,2026-01-08,30,ada-1\n")
    calib("import ada.csv")
    calib("forget", "Ada Quill", "--yes")
    document("export out --only csv")
    assert "ada-1" in (lab / "out" / "stages.csv").read_text()
