"""The rules of one id: new, repeated, corrected, held, quarantined; all in one transaction."""

from __future__ import annotations

import pytest
from shop_folder import HOURS, counts, shop_of, take_in, write

from calib.errors import LogFileError
from calib.store.open_store import open_store
from calib.store.runs import find_builds, find_runs
from calib.store.set_aside import list_set_aside

BUILDS = "build_id,process,machine,parts\nB1,SLA,M1,3\nB2,MEX,M2,4\n"
HEAD = "build_id,stage,started_at,ended_at,station,operator\n"
ONE = HEAD + "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,\n"


@pytest.fixture
def shop(tmp_path):
    return shop_of(tmp_path, ("builds.csv", BUILDS))


def runs_of(folder):
    with open_store(folder) as con:
        return find_runs(con)


def test_new_then_repeated_whatever_the_name_of_the_file(shop):
    assert counts(take_in(shop, write(shop, "a.csv", ONE))) == (1, 0, 0, 0, 0)
    assert counts(take_in(shop, write(shop, "b.csv", ONE))) == (0, 0, 1, 0, 0)
    assert len(runs_of(shop)) == 1


def test_trade_words_for_a_process_are_stored_as_the_code(shop):
    with open_store(shop) as con:
        assert list(find_builds(con)["process"]) == ["VPP", "MEX"]


def test_a_later_file_corrects_and_an_old_one_read_again_undoes_nothing(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    later = ONE.replace("12:00", "12:30")
    assert counts(take_in(shop, write(shop, "b.csv", later))) == (0, 1, 0, 0, 0)
    assert counts(take_in(shop, write(shop, "a.csv", ONE))) == (0, 0, 1, 0, 0)
    assert runs_of(shop)["work_min"].tolist() == [270.0]


def test_an_old_row_in_another_column_order_is_a_repeat_too(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    take_in(shop, write(shop, "b.csv", ONE.replace("12:00", "12:30")))
    other = (
        "station,stage,build_id,ended_at,started_at,operator\nM1,printing,B1,2026-01-05 12:00:00,2026-01-05T08:00:00,\n"
    )
    assert counts(take_in(shop, write(shop, "c.csv", other))) == (0, 0, 1, 0, 0)


def test_columns_that_a_later_file_lacks_keep_their_values(shop):
    take_in(shop, write(shop, "a.csv", ONE.replace("M1,\n", "M1,Ada\n")), people_names="named")
    bare = "build_id,stage,started_at,ended_at,station\nB1,printing,2026-01-05T08:00,2026-01-05T13:00,M1\n"
    assert counts(take_in(shop, write(shop, "b.csv", bare), people_names="named")) == (0, 1, 0, 0, 0)
    assert runs_of(shop)["operator"].tolist() == ["Ada"]
    assert counts(take_in(shop, write(shop, "c.csv", bare + bare.splitlines()[1]), people_names="named")) == (
        0, 0, 2, 0, 0,
    )  # fmt: skip


def test_an_end_that_comes_later_is_a_correction(shop):
    running = HEAD + "B1,printing,2026-01-05T08:00,,M1,\n"
    take_in(shop, write(shop, "a.csv", running))
    assert runs_of(shop)["state"].tolist() == ["running"]
    assert counts(take_in(shop, write(shop, "b.csv", ONE))) == (0, 1, 0, 0, 0)
    assert runs_of(shop)["state"].tolist() == ["done"]


def test_an_end_is_lost_when_a_later_stage_of_the_build_has_begun(shop):
    lost = HEAD + "B1,printing,2026-01-05T08:00,,M1,\nB1,unloading,2026-01-05T12:00,2026-01-05T12:10,M1,\n"
    take_in(shop, write(shop, "a.csv", lost))
    states = runs_of(shop).set_index("stage")["state"]
    assert states.to_dict() == {"printing": "lost", "unloading": "done"}
    assert runs_of(shop).set_index("stage")["work_min"].isna()["printing"]


def test_rows_wait_for_their_build_and_join_when_it_comes(tmp_path):
    assert counts(take_in(tmp_path, write(tmp_path, "a.csv", ONE))) == (0, 0, 0, 0, 1)
    assert runs_of(tmp_path).empty
    assert counts(take_in(tmp_path, write(tmp_path, "a.csv", ONE))) == (0, 0, 1, 0, 0)
    document = take_in(tmp_path, write(tmp_path, "builds.csv", BUILDS))
    assert counts(document) == (2, 0, 0, 0, 0)
    assert document["joined"] == 1
    assert len(runs_of(tmp_path)) == 1


def test_files_of_one_call_come_in_any_order(tmp_path):
    document = take_in(tmp_path, write(tmp_path, "a.csv", ONE), write(tmp_path, "b.csv", BUILDS))
    assert counts(document, 0) == (1, 0, 0, 0, 0)


def test_a_shared_load_waits_for_all_its_builds(tmp_path):
    load = HEAD + "B2 + B1,washing,2026-01-05T13:00,2026-01-05T13:20,W,\n"
    take_in(tmp_path, write(tmp_path, "b.csv", "build_id,process,machine,parts\nB1,SLA,M1,3\n"))
    assert counts(take_in(tmp_path, write(tmp_path, "a.csv", load))) == (0, 0, 0, 0, 1)
    take_in(tmp_path, write(tmp_path, "b.csv", BUILDS))
    assert [list(ids) for ids in runs_of(tmp_path)["build_ids"]] == [["B1", "B2"]]


def test_a_row_of_an_order_waits_for_a_build_of_it(tmp_path):
    rows = "order_id,stage,started_at,ended_at\nO7,packing,2026-01-05T13:00,2026-01-05T13:20\n"
    assert counts(take_in(tmp_path, write(tmp_path, "a.csv", rows))) == (0, 0, 0, 0, 1)
    take_in(tmp_path, write(tmp_path, "i.csv", "build_id,order_id,qty\nB1,O7,3\n"))
    assert runs_of(tmp_path)["order_id"].tolist() == ["O7"]


def test_a_sum_of_stages_is_one_run(shop):
    rows = (
        HEAD
        + "B1,washing+drying,2026-01-05T13:00,2026-01-05T13:50,W,\nB1,washing+dryng,2026-01-05T15:00,2026-01-05T15:50,W,\n"
    )
    document = take_in(shop, write(shop, "a.csv", rows))
    assert counts(document) == (1, 0, 0, 1, 0)
    assert 'holds "dryng", which is no stage; did you mean drying' in document["quarantine"][0]["reason"]


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("B1,cool down,2026-01-05T08:00,2026-01-05T09:00,M1,", "stage", "is no stage; did you mean cool_down?"),
        ("B1,printing,2026-01-05T08:00,2026-01-05T08:00,M1,", "ended_at", "is not after started_at"),
        ("B1,printing,yesterday,2026-01-05T08:00,M1,", "started_at", "is not a time"),
        ("B1,printing,2026-01-05,2026-01-06,M1,", "started_at", "is not a time"),
        (",printing,2026-01-05T08:00,2026-01-05T09:00,M1,", "build_id", "is empty, and so is order_id"),
        ("B1,printing,,,M1,", "started_at", "is empty: a run needs started_at"),
        ("B1,,2026-01-05T08:00,2026-01-05T09:00,M1,", "stage", "is empty, and is needed"),
        ("B1,printing,1026-01-05T08:00,,M1,", "started_at", "is not between the years 1990 and 2100"),
        ("B1,printing,294247-01-10,,M1,", "started_at", "is not a time"),
        ("B1,printing,290309-12-22 (BC),,M1,", "started_at", "is not a time"),
        ("B1,printing,2026-01-05T08:00,2026-01-05T09:00,M1,,,,x", "", "has 9 cells where the header has 6"),
    ],
)
def test_a_bad_row_is_set_aside_with_its_place_and_never_stops_the_good_ones(shop, row, column, reason):
    document = take_in(shop, write(shop, "a.csv", ONE + row + "\n"))
    assert counts(document) == (1, 0, 0, 1, 0)
    answer = {(r["path"], r["line"], r["column"]): r["reason"] for r in document["quarantine"]}
    assert reason in answer["a.csv", 3, column]


def test_every_problem_of_a_row_is_told(shop):
    document = take_in(shop, write(shop, "b.csv", "build_id,process,machine,parts\n,resin,,0\n"))
    assert {r["column"] for r in document["quarantine"]} == {"build_id", "process", "machine", "parts"}
    assert counts(document) == (0, 0, 0, 1, 0)


def test_a_row_set_aside_is_listed_once_and_counted_each_time(shop):
    bad = HEAD + "B1,printing,x,,M1,\n"
    for _ in range(2):
        assert counts(take_in(shop, write(shop, "a.csv", bad))) == (0, 0, 0, 1, 0)
    with open_store(shop) as con:
        assert len(list_set_aside(con)) == 1


def test_an_id_that_comes_back_on_another_machine_is_set_aside(shop):
    document = take_in(shop, write(shop, "b.csv", "build_id,process,machine,parts\nB1,SLA,M9,3\nB2,SLS,M2,4\n"))
    assert counts(document) == (0, 0, 0, 2, 0)
    assert "id used again: the build of this id is VPP on M1" in document["quarantine"][0]["reason"]


def test_a_plan_may_move_to_another_machine(tmp_path):
    plan = "build_id,process,machine,parts,planned\nB1,SLA,M1,3,true\n"
    take_in(tmp_path, write(tmp_path, "b.csv", plan))
    assert counts(take_in(tmp_path, write(tmp_path, "b.csv", plan.replace("M1", "M2")))) == (0, 1, 0, 0, 0)


def test_an_id_that_starts_again_in_january_is_set_aside(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    again = ONE.replace("2026-01", "2027-01")
    document = take_in(shop, write(shop, "n.csv", again), write(shop, "nb.csv", BUILDS.replace("M1,3", "M1,8")))
    assert counts(document, 0) == (0, 0, 0, 1, 0)
    assert counts(document, 1) == (0, 0, 1, 1, 0)
    assert {r["rule"] for r in document["quarantine"]} == {"id used again"}


def test_starts_within_45_days_are_of_one_build(shop):
    take_in(shop, write(shop, "a.csv", ONE))
    near = HEAD + "B1,packing,2026-02-19T08:00,2026-02-19T08:10,,\n"
    far = HEAD + "B1,inspection,2026-04-06T08:00,2026-04-06T08:10,,\n"
    assert counts(take_in(shop, write(shop, "n.csv", near))) == (1, 0, 0, 0, 0)
    assert counts(take_in(shop, write(shop, "f.csv", far))) == (0, 0, 0, 1, 0)


def test_two_runs_that_overlap_by_more_than_half_are_kept_and_marked(shop):
    rows = ONE + "B1,printing,2026-01-05T08:05,2026-01-05T12:00,M1,\n"
    document = take_in(shop, write(shop, "a.csv", rows))
    assert counts(document) == (2, 0, 0, 0, 0)
    assert [mark["rule"] for mark in document["review"]] == ["overlap"]


def test_dry_run_says_what_would_happen_and_stores_nothing(shop):
    document = take_in(shop, write(shop, "a.csv", ONE), dry_run=True)
    assert counts(document) == (1, 0, 0, 0, 0)
    assert runs_of(shop).empty


def test_a_file_that_is_no_log_has_its_error_and_the_others_go_in(shop):
    document = take_in(shop, write(shop, "a.csv", ONE), write(shop, "x.csv", "colour,weight\nred,3\n"))
    assert counts(document, 0) == (1, 0, 0, 0, 0)
    assert "its columns (colour, weight) are those of no log" in document["files"][1]["error"]
    with pytest.raises(LogFileError, match="those of no log"):
        take_in(shop, shop / "x.csv")


def test_unknown_columns_are_kept_and_named(shop):
    rows = ONE.replace("operator", "mood").replace("M1,\n", "M1,calm\n")
    document = take_in(shop, write(shop, "a.csv", rows))
    assert document["files"][0]["kept_columns"] == ["mood"]
    with open_store(shop) as con:
        assert con.execute("SELECT extra FROM stage_run").fetchall() == [('{"mood":"calm"}',)]


def test_only_the_day_and_the_minutes(shop):
    rows = "build_id,stage,date,work_min\nB1,sanding,2026-01-06,45\n"
    take_in(shop, write(shop, "a.csv", rows))
    (run,) = runs_of(shop).to_dict("records")
    assert run["work_min"] == 45
    assert str(run["ended_at"]) == "2026-01-06 22:59:00+00:00"  # 23:59 in Berlin


def test_closed_hours_come_off_where_a_person_went_home_in_between(shop):
    rows = HEAD + (
        "B1,unloading,2026-01-05T16:30,2026-01-06T08:20,M1,\n"  # open 8 to 17: 30 + 20 minutes
        "B2,unloading,2026-01-05T16:30,2026-01-05T19:00,M2,\n"  # stayed late: all of it
        "B1,printing,2026-01-05T16:30,2026-01-06T08:20,M1,\n"  # a machine's
        "B2,packing,2026-01-09T16:00,2026-01-12T09:00,,\n"  # over a weekend: 60 + 60
    )
    take_in(shop, write(shop, "a.csv", rows), hours=HOURS)
    minutes = {(run["build_ids"][0], run["stage"]): run["work_min"] for run in runs_of(shop).to_dict("records")}
    assert minutes == {
        ("B1", "unloading"): 50, ("B2", "unloading"): 150, ("B1", "printing"): 950, ("B2", "packing"): 120,
    }  # fmt: skip


def test_closed_hours_are_counted_anew_when_the_shop_states_others(shop):
    rows = HEAD + "B1,unloading,2026-01-05T16:30,2026-01-06T08:20,M1,\n"
    take_in(shop, write(shop, "a.csv", rows))
    assert runs_of(shop)["work_min"].tolist() == [950]
    take_in(shop, write(shop, "b.csv", BUILDS), hours=HOURS)
    assert runs_of(shop)["work_min"].tolist() == [50]


def test_a_found_end_lies_between_the_last_closing_time_and_itself(shop):
    rows = (
        "build_id,stage,started_at,ended_at,station,ended_by\nB1,printing,2026-01-05T15:00,2026-01-06T08:00,M1,found\n"
    )
    take_in(shop, write(shop, "a.csv", rows), hours=HOURS)
    (run,) = runs_of(shop).to_dict("records")
    assert (run["low_min"], run["work_min"]) == (120, 1020)


def test_pauses_come_off(shop):
    rows = "build_id,stage,started_at,ended_at,paused_min\nB1,printing,2026-01-05T08:00,2026-01-05T09:00,15\n"
    take_in(shop, write(shop, "a.csv", rows))
    assert runs_of(shop)["work_min"].tolist() == [45]
    more = rows.replace(",15", ",60").replace("08:00", "08:30")
    assert "is not less than" in take_in(shop, write(shop, "b.csv", more))["quarantine"][0]["reason"]


def test_names_become_aliases_in_rows_notes_kept_columns_and_quarantine(shop):
    rows = (
        "build_id,stage,started_at,ended_at,operator,note,helped\n"
        "B1,unloading,2026-01-05T08:00,2026-01-05T08:10,Ada Quill,Quill was early,ada quill\n"
        "B1,unloading,nine,2026-01-05T08:10,Ada Quill,ask ADA,\n"
    )
    take_in(shop, write(shop, "a.csv", rows))
    with open_store(shop) as con:
        con.execute("CHECKPOINT")
        operator, note, extra = con.execute("SELECT operator, note, extra FROM stage_run").fetchone()
        rejected = con.execute("SELECT row_text FROM quarantine").fetchone()[0]
    assert note == f"{operator} was early"
    assert "ada" not in (extra + rejected).lower()
    assert operator in extra
    assert operator in rejected
    stored = (shop / "shop.duckdb").read_bytes().lower()
    assert b"quill" not in stored
    take_in(shop, write(shop, "c.csv", rows.replace("08:10", "08:20")))
    assert set(runs_of(shop)["operator"]) == {operator}


def test_a_build_of_another_process_than_its_machines_is_taken_in_and_warned_of(shop):
    document = take_in(shop, write(shop, "b.csv", BUILDS), machines={"M1": "VPP", "M2": "PBF"})
    assert counts(document) == (0, 0, 2, 0, 0)
    assert document["warnings"] == ["Build B2 is MEX on M2, which is a PBF machine: look at machine and process."]
    assert take_in(shop, shop / "b.csv", machines={"M2": "MEX"})["warnings"] == [
        'Machine "M1" is not in the shop file: the defaults of its process are used.'
    ]


def test_a_cell_that_cannot_be_read_is_told_alone_without_what_follows_from_it(shop):
    rows = "build_id,stage,date,work_min\nB1,sanding,2026-09-31,45\nB1,sanding,2026-09-30,half an hour\n"
    document = take_in(shop, write(shop, "a.csv", rows))
    assert [(row["line"], row["column"], row["rule"]) for row in document["quarantine"]] == [
        (2, "date", "date"), (3, "work_min", "number"),
    ]  # fmt: skip


def test_a_nearest_stage_is_named_once(shop):
    rows = HEAD + "B1,post_cureing,2026-01-05T08:00,2026-01-05T09:00,M1,\n"
    document = take_in(shop, write(shop, "a.csv", rows), shop_stages=["post_curing", "part_cleaning"])
    assert document["quarantine"][0]["reason"].startswith("is no stage; did you mean post_curing")
    assert document["quarantine"][0]["reason"].count("post_curing") == 1


def test_an_end_ten_years_later_is_set_aside(shop):
    rows = HEAD + "B1,printing,2026-11-20T08:00,2036-11-20T08:00,M1,\n"
    (row,) = take_in(shop, write(shop, "a.csv", rows))["quarantine"]
    assert row["reason"] == "is more than 100 days after started_at: is its year right?"


def test_local_times_that_exist_twice_or_not_at_all_are_counted(shop):
    rows = HEAD + (
        "B1,printing,2026-10-25T02:30,2026-10-25T04:00,M1,\n"  # twice in Berlin: the first, 00:30 UTC
        "B2,printing,2026-03-29T02:30,2026-03-29T05:00,M2,\n"  # not at all: 03:30 summer time, 01:30 UTC
        "B1,packing,2026-10-25T02:30:00+01:00,2026-10-25T05:00,,\n"  # says which it is
    )
    document = take_in(shop, write(shop, "a.csv", rows))
    assert document["odd_times"] == {"twice": 1, "missing": 1}
    assert "1 local time exists twice (the clock went back): the first was taken." in document["warnings"]
    with open_store(shop) as con:
        found = con.execute("SELECT started_at::VARCHAR FROM stage_run ORDER BY line").fetchall()
    assert [at for (at,) in found] == ["2026-10-25 00:30:00", "2026-03-29 01:30:00", "2026-10-25 01:30:00"]


def test_a_line_that_is_no_json_adds_no_column(shop):
    lines = '{"build_id": "B1", "stage": "packing", "started_at": "2026-01-06T08:00"}\nno json\n[1]\n'
    document = take_in(shop, write(shop, "a.jsonl", lines))
    assert counts(document) == (1, 0, 0, 2, 0)
    assert document["files"][0]["kept_columns"] == []
    assert [row["reason"] for row in document["quarantine"]] == ["is no JSON object"] * 2
