"""The last import taken back: the store is as it was before, whatever the import did."""

from __future__ import annotations

import random

import pytest
from shop_folder import counts, take_in, write

from calib.errors import UsageError
from calib.store.check import check_store
from calib.store.open_store import open_store
from calib.store.set_aside import export_set_aside, list_set_aside
from calib.store.undo import undo_last

TABLES = ("build", "build_history", "stage_run", "stage_run_history", "quarantine")
HEAD = "build_id,stage,started_at,ended_at,station,note\n"


def contents(shop):
    with open_store(shop) as con:
        assert check_store(con) == []
        return {table: sorted(map(str, con.execute(f"SELECT * FROM {table}").fetchall())) for table in TABLES}


def take_back(shop, **options):
    with open_store(shop) as con:
        return undo_last(con, **options)


def random_logs(rng, folder, number):
    """Builds and stages of few keys with few values: new, repeated, corrected, held, set aside, several times in one call."""
    builds = [f"B{rng.randint(1, 3)},SLA,M1,{rng.randint(1, 3)}\n" for _ in range(rng.randint(0, 3))]
    stages = [
        f"B{rng.randint(1, 5)},{rng.choice(['printing', 'packing', 'oddity'])},2026-01-05T08:00,"
        f"2026-01-05T{rng.randint(9, 11):02d}:00,M1,{rng.choice(['', 'late'])}\n"
        for _ in range(rng.randint(1, 6))
    ]
    return (
        write(folder, f"b{number}.csv", "build_id,process,machine,parts\n" + "".join(builds)),
        write(folder, f"s{number}.csv", HEAD + "".join(stages[:3])),
        write(folder, f"t{number}.csv", HEAD + "".join(stages[3:])),
    )


@pytest.mark.parametrize("seed", range(3))
def test_undo_leaves_the_store_as_it_was(tmp_path, seed):
    rng = random.Random(seed)
    states = []
    for number in range(3):
        take_in(tmp_path, *random_logs(rng, tmp_path, number))
        states.append(contents(tmp_path))
    for before in reversed(states[:-1]):
        take_back(tmp_path)
        assert contents(tmp_path) == before


def test_what_was_taken_back_comes_in_again(tmp_path):
    take_in(tmp_path, write(tmp_path, "a.csv", HEAD + "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,\n"))
    change = write(tmp_path, "b.csv", HEAD + "B1,printing,2026-01-05T08:00,2026-01-05T13:00,M1,\n")
    take_in(tmp_path, change)
    after = contents(tmp_path)
    answer = take_back(tmp_path)
    assert (answer["files"], answer["rows_taken_out"], answer["rows_put_back"]) == (["b.csv"], 1, 1)
    assert counts(take_in(tmp_path, change))[1] == 1
    assert [row.replace("(3, ", "(2, ") for row in contents(tmp_path)["stage_run"]] == after["stage_run"]


def test_a_mended_row_is_set_aside_again(tmp_path):
    take_in(tmp_path, write(tmp_path, "a.csv", HEAD + "B1,oddity,2026-01-05T08:00,2026-01-05T12:00,M1,\n"))
    with open_store(tmp_path) as con:
        (path,) = export_set_aside(con, tmp_path)
    before = contents(tmp_path)
    take_in(tmp_path, write(tmp_path, "m.csv", path.read_text(encoding="utf-8-sig").replace("B1,oddity", "B1,packing")))
    with open_store(tmp_path) as con:
        assert list_set_aside(con) == []
    assert take_back(tmp_path)["rejects_opened"] == 1
    assert contents(tmp_path) == before


def test_a_row_that_is_still_wrong_is_listed_once(tmp_path):
    take_in(tmp_path, write(tmp_path, "a.csv", HEAD + "B1,oddity,2026-01-05T08:00,2026-01-05T12:00,M1,\n"))
    with open_store(tmp_path) as con:
        (path,) = export_set_aside(con, tmp_path)
    take_in(tmp_path, write(tmp_path, "m.csv", path.read_text(encoding="utf-8-sig").replace("oddity", "strange")))
    with open_store(tmp_path) as con:
        assert [one["value"] for one in list_set_aside(con)] == ["strange"]
        assert [one["value"] for one in list_set_aside(con, state="retried")] == ["oddity"]


def test_a_trial_changes_nothing_and_an_empty_store_says_so(tmp_path):
    take_in(tmp_path, write(tmp_path, "a.csv", HEAD + "B1,printing,2026-01-05T08:00,2026-01-05T12:00,M1,\n"))
    before = contents(tmp_path)
    assert take_back(tmp_path, dry_run=True)["rows_taken_out"] == 1
    assert contents(tmp_path) == before
    take_back(tmp_path)
    with pytest.raises(UsageError, match="Nothing was imported yet"):
        take_back(tmp_path)
