"""What import says of what came, and a mapping proposed for a foreign log."""

from __future__ import annotations

import re

FOREIGN = (
    "Ticket;Build No;Step;Start;End;Who;Mood\n"
    "O1;B1;sanding;13.01.2026 08:00;13.01.2026 12:30;Ada Quill;fine\n"
    "O2;B2;unpacking cake;15.01.2026 08:00;15.01.2026 09:30;;\n"
)


def test_import_says_what_came_what_was_set_aside_and_what_is_next(lab, calib):
    (lab / "more.csv").write_text(
        "build_id,stage,date,work_min\nB1,sanding,2026-01-08,30\nB9,packing,2026-01-08,5\nB1,packing,2026-01-08,-5\n"
    )
    status, out, _ = calib("import logs more.csv")
    assert status == 0
    assert "2 files: nothing new in 7 rows, 1 set aside before." in out
    assert "1 row waiting for the build or order they name" in out
    assert 'more.csv line 4, work_min "-5" must be above 0' in out
    assert "stages.csv line 5: packing of B1 lasted 24 h: a forgotten timer?" in out
    assert "Last log of each machine: 7 Jan 2026: vpp1." in out
    assert [line.split("  ")[1] for line in out.split("Next:\n")[1].splitlines()] == [
        "calib set-aside --out to-mend", "calib review", "calib fit",
    ]  # fmt: skip


def test_a_trial_says_so_and_stores_nothing(lab, calib, document):
    (lab / "more.csv").write_text("build_id,stage,date,work_min\nB1,sanding,2026-01-08,30\n")
    assert calib("import more.csv --dry-run")[1].splitlines()[-3:] == [
        "This was a trial: nothing was stored.", "Next:", "  calib import more.csv  store it",
    ]  # fmt: skip
    assert document("import more.csv")["files"][0]["rows_new"] == 1


def test_unknown_columns_name_the_command_that_proposes_a_mapping(lab, calib):
    (lab / "foreign.csv").write_text(FOREIGN)
    status, _, err = calib("import foreign.csv")
    assert status == 2
    assert err.endswith("let a mapping be proposed: calib map foreign.csv\n")
    status, out, _ = calib("import foreign.csv logs")
    assert status == 0
    assert "calib map foreign.csv" in out.split("Next:\n")[1]


def test_a_mapping_file_that_is_not_there_is_named(lab, calib):
    status, _, err = calib("import logs --map nomap.toml")
    assert status == 2
    assert err == "calib: There is no mapping file nomap.toml. Propose one: calib map FILE\n"


def test_a_proposed_mapping_has_reasons_questions_and_a_trial_and_then_imports(lab, calib, document):
    (lab / "foreign.csv").write_text(FOREIGN)
    status, out, _ = calib("map foreign.csv")
    assert status == 0
    assert re.search(r"operator +Who +usual heading: 1 different", out)
    assert "Ada" not in out
    assert "unpacking cake" in (lab / "foreign.map.toml").read_text()
    assert "Tried without storing: 2 rows read: 2 new." in out
    assert "calib import foreign.csv --map foreign.map.toml" in out
    written = (lab / "foreign.map.toml").read_text()
    assert "# usual heading" in written
    assert '# Not used, kept as they are: "Mood"' in written
    assert document("import foreign.csv --map foreign.map.toml")["files"][0]["rows_new"] == 2


def test_a_proposal_is_never_written_over_a_file(lab, calib):
    (lab / "foreign.csv").write_text(FOREIGN)
    (lab / "mine.toml").write_text("kind = 'stages'")
    status, _, err = calib("map foreign.csv --out mine.toml")
    assert status == 2
    assert "mine.toml is there already" in err
    assert (lab / "mine.toml").read_text() == "kind = 'stages'"


def test_nothing_is_stored_by_a_proposal(lab, calib, document):
    (lab / "foreign.csv").write_text(FOREIGN)
    assert document("map foreign.csv")["would_come_in"]["dry_run"]
    assert document("import foreign.csv --map foreign.map.toml --dry-run")["files"][0]["rows_repeated"] == 0


def test_a_build_on_a_machine_of_another_process_is_warned_of(lab, calib):
    (lab / "odd.csv").write_text("build_id,process,machine,parts\nB8,VPP,mex1,2\nB9,VPP,other,2\n")
    out = calib("import odd.csv")[1]
    assert "Build B8 is VPP on mex1, which is a MEX machine" in out
    assert 'Machine "other" is not in the shop file' in out


def test_what_is_no_table_gets_no_mapping(lab, calib):
    (lab / "part.bin").write_bytes(bytes(range(1, 256)) * 20)
    status, _, err = calib("map part.bin")
    assert status == 2
    assert "part.bin is no table of text" in err or "cannot be read" in err
    assert not (lab / "part.map.toml").exists()
