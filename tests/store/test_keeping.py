"""Backup, export, quarantine to mend, forgetting a person, the store's own check."""

from __future__ import annotations

import csv

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop_folder import counts, shop_of, take_in, write

from calib.errors import UsageError
from calib.logs.formulas import harmless
from calib.store.backup import backup_store
from calib.store.check import check_store
from calib.store.export import export_all
from calib.store.forget import forget_person
from calib.store.open_store import STORE_NAME, open_store
from calib.store.people import forget_older
from calib.store.restore import restore_store
from calib.store.runs import find_runs
from calib.store.set_aside import drop_set_aside, export_set_aside, list_set_aside

BUILDS = "build_id,process,machine,parts,order_id\nB1,SLA,M1,3,O1\n"
STAGES = (
    "build_id,stage,started_at,ended_at,station,operator,note,mood,air\n"
    "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,,=1+1,',5\n"
    'B1,unloading,2026-10-25T02:30,2026-10-25T03:10,M1,Ada Quill,"two\nlines, and a ""quote""",-A1,6\n'
)


@pytest.fixture
def shop(tmp_path):
    folder = tmp_path / "shop"
    folder.mkdir()
    return shop_of(folder, ("builds.csv", BUILDS), ("stages.csv", STAGES.replace("10-25", "01-06")))


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_importing_an_export_changes_nothing(shop, form):
    with open_store(shop) as con:
        files, _ = export_all(con, shop / "out", (form,))
    document = take_in(shop, *[file for file in files if file.stem in ("builds", "stages")])
    assert counts(document, 0) == (0, 0, 1, 0, 0)
    assert counts(document, 1) == (0, 0, 2, 0, 0)


cells = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8).map(str.strip)


@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(cells, cells, cells), min_size=20, max_size=40))  # one shop takes in many texts
def test_importing_an_export_of_any_text_changes_nothing(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("shop")
    with (folder / "stages.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out)
        writer.writerow(["build_id", "stage", "started_at", "ended_at", "station", "note", "kept"])
        writer.writerows(
            [f"B{i}", "printing", "2026-01-05T08:00", "2026-01-05T09:00", *row] for i, row in enumerate(rows)
        )
    first = take_in(folder, folder / "stages.csv", people_names="named")
    with open_store(folder) as con:
        export_all(con, folder / "out", ("csv",))
    again = take_in(folder, folder / "out" / "stages.csv", people_names="named")
    assert counts(again)[2] == first["files"][0]["rows_held"] == len(rows)


MARKED = (
    "=1+1",
    "+A1",
    "-A1",
    "@x",
    "'=1",
    "''+A",
    "-5",
    "+5",
    "=",
    "-",
    "+1e5",
    "-1_0",
    "-inf",
    "=\tx",
    "'tis",
    "-5+A1",
)


def opened_by_a_spreadsheet(path):
    """Cells that a spreadsheet takes for a formula: those that begin with a mark and are no number."""
    with path.open(encoding="utf-8-sig", newline="") as opened:
        cells = {cell for row in csv.reader(opened) for cell in row}
    return {cell for cell in cells if cell[:1] in set("=+-@\t\r") and not cell[1:].replace("e", "").isdigit()}


def test_marks_of_formulas_are_harmless_in_cells_and_headings_and_come_back(tmp_path):
    rows = [["B1", "sanding", f"2026-01-{n + 1:02d}", "5", mark, mark, *MARKED] for n, mark in enumerate(MARKED)]
    bad = [["B1", "sanding", "2026-02-01", "-5", mark, mark, *MARKED] for mark in MARKED]
    head = ["build_id", "stage", "date", "work_min", "station", "note", *MARKED]
    with (tmp_path / "stages.csv").open("w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([[harmless(cell) for cell in row] for row in (head, *rows, *bad)])
    first = take_in(tmp_path, tmp_path / "stages.csv", people_names="named")
    assert set(first["files"][0]["kept_columns"]) == {" ".join(mark.split()) for mark in MARKED}
    with open_store(tmp_path) as con:
        stored = con.execute("SELECT station, note, extra FROM stage_run ORDER BY date").fetchall()
        (stages,) = [path for path in export_all(con, tmp_path / "out", ("csv",))[0] if path.stem == "stages"]
        (mend,) = export_set_aside(con, tmp_path / "mend")
    assert [row[0] for row in stored] == list(MARKED)
    assert opened_by_a_spreadsheet(stages) | opened_by_a_spreadsheet(mend) == set()
    assert counts(take_in(tmp_path, stages, people_names="named")) == (0, 0, len(rows), 0, 0)
    assert counts(take_in(tmp_path, mend, people_names="named"))[3] == len(bad)


def test_rows_set_aside_are_exported_mended_and_read_again(shop, tmp_path):
    bad = STAGES.replace("printing", "printng").replace("10-25", "01-06")
    take_in(shop, write(tmp_path, "bad.csv", bad))
    with open_store(shop) as con:
        (path,) = export_set_aside(con, tmp_path)
    mended = path.read_text(encoding="utf-8-sig").replace("printng", "packing")
    document = take_in(shop, write(tmp_path, "mended.csv", mended))
    assert counts(document) == (1, 0, 0, 0, 0)
    with open_store(shop) as con:
        assert list_set_aside(con) == []
        assert len(list_set_aside(con, state="mended")) == 1
        assert "packing" in set(find_runs(con)["stage"])


def test_dropped_rows_stay_in_the_list_of_dropped_ones(shop, tmp_path):
    take_in(shop, write(tmp_path, "bad.csv", STAGES.replace("printing", "printng")))
    with open_store(shop) as con:
        numbers = {one["reject_id"] for one in list_set_aside(con)}
        assert drop_set_aside(con, list(numbers)) == sorted(numbers)
        assert list_set_aside(con) == []


def test_a_backup_brings_everything_back_and_keeps_what_was_there(shop, tmp_path):
    with open_store(shop) as con:
        before = find_runs(con)
        backup_store(con, shop)
    take_in(shop, write(tmp_path, "more.csv", STAGES.replace("10-25", "01-07")))
    _, old = restore_store(shop)
    assert old.exists()
    with open_store(shop) as con:
        assert find_runs(con).equals(before)
        assert check_store(con) == []


def test_restoring_from_no_backup_is_told_in_words(shop, tmp_path):
    with pytest.raises(UsageError, match="There is no backup"):
        restore_store(shop)
    with pytest.raises(UsageError, match="is no backup"):
        restore_store(shop, tmp_path)


@pytest.mark.parametrize("mode", ["alias", "named"])
def test_forgetting_a_person_leaves_no_byte(tmp_path, mode):
    shop = tmp_path / "shop"
    shop.mkdir()
    rows = STAGES.replace("10-25", "01-06").replace("two", "Quill said").replace("-A1", "as Ada told")
    bad = rows.replace("printing", "printng").replace("M1,,", "M1,Ada Quill,")
    take_in(
        shop,
        write(tmp_path, "b.csv", BUILDS),
        write(tmp_path, "s.csv", rows),
        write(tmp_path, "x.csv", bad),
        people_names=mode,
    )
    take_in(shop, write(tmp_path, "s2.csv", rows.replace("03:10", "03:15")), people_names=mode)
    with open_store(shop) as con:
        who = con.execute("SELECT operator FROM stage_run WHERE operator IS NOT NULL").fetchone()[0]
        backup = backup_store(con, shop)
    named = forget_person(shop, "Ada Quill")
    assert named["backups"][0] == str(backup) and named["backups"][1].endswith("-before-forget")
    stored = (shop / STORE_NAME).read_bytes().lower()
    for trace in (who.lower(), "quill", "ada "):
        assert trace.encode() not in stored
    with open_store(shop) as con:
        assert check_store(con) == []
        assert find_runs(con)["operator"].isna().all()
    with pytest.raises(UsageError, match="Nobody called"):
        forget_person(shop, "Ada Quill")


def test_backups_can_be_made_to_forget_too(shop, tmp_path):
    with open_store(shop) as con:
        who = con.execute("SELECT operator FROM stage_run WHERE operator IS NOT NULL").fetchone()[0]
        backup_store(con, shop)
    assert forget_person(shop, who, backups=True)["backups"] == []
    restore_store(shop)
    with open_store(shop) as con:
        assert find_runs(con)["operator"].isna().all()


def test_dropped_columns_leave_no_byte(tmp_path):
    shop = tmp_path / "shop"
    shop.mkdir()
    take_in(
        shop, write(tmp_path, "s.csv", STAGES + "B1,oddity,nine,,,,secretnote,\n"), drop_columns=("note", "mood", "air")
    )
    with open_store(shop) as con:
        con.execute("CHECKPOINT")
        assert con.execute("SELECT DISTINCT note, extra FROM stage_run").fetchall() == [(None, None)]
    stored = (shop / STORE_NAME).read_bytes()
    assert b"secretnote" not in stored
    assert b"a quote" not in stored


def test_people_are_kept_for_so_many_months_only(shop, tmp_path):
    later = STAGES.replace("2026-10-25", "2027-03-01").replace("2026-01-05", "2027-03-01").replace("B1,", "B9,")
    take_in(shop, write(tmp_path, "later.csv", later), write(tmp_path, "b9.csv", BUILDS.replace("B1", "B9")))
    with open_store(shop) as con:
        assert forget_older(con, 12) == 1
        assert find_runs(con)["operator"].notna().sum() == 1


def test_the_check_finds_what_does_not_hold_and_mends_what_it_can(shop):
    with open_store(shop) as con:
        con.execute("UPDATE stage_run SET held = true")
        con.execute("INSERT INTO stage_run SELECT * REPLACE (99 AS file_id) FROM stage_run LIMIT 1")
        found = {one["check"] for one in check_store(con)}
        assert found == {
            "every row of stage_run has a key of its own",
            "every row of stage_run says which file it came from",
            "no run is held whose build is known",
        }
        assert "no run is held whose build is known" not in {one["check"] for one in check_store(con, mend=True)}
