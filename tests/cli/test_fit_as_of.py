"""A fit is numbers in tables, and ``fit --as-of`` makes an old one again, whatever was logged since."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from calib.calibration.weekly import WeeklyPass
from calib.cli.app import run
from calib.store.fits import find_fit
from calib.store.open_store import open_store

FIRST, WEEKS, LATER = date(2026, 3, 2), 4, 3


def write_logs(folder: Path, weeks: range) -> None:
    """Three builds a day on weekdays, each with two stages, and an order's inspection once a week.

    From the fifth week on unloading takes twice as long, file prep is written down too, and old orders get more builds.
    """
    builds = ["build_id,process,machine,parts,height_mm,part_volume_cm3,material,order_id"]
    stages = ["build_id,stage,started_at,ended_at,station,operator,order_id"]
    for day in (FIRST + timedelta(weeks=w, days=d) for w in weeks for d in range(5)):
        is_later, order = day >= FIRST + timedelta(weeks=WEEKS), f"O{day.isoweekday()}"
        if day.weekday() == 3:
            stages.append(f",inspection,{day}T16:00,{day}T16:40,bench,Ada Quill,{order}")
        for i in range(3):
            name, rest = f"B{day:%m%d}{i}", (day.day * 7 + i * 3) % 6
            minutes = (12 + rest) * (2 if is_later else 1)
            builds.append(f"{name},MEX,ext-1,{4 + rest},30,{20 + 3 * rest},pla,{order}")
            prep = [("file_prep", 0, 20 + rest)] if is_later else []
            for stage, start, took in (
                *prep,
                ("printing", 4, 30 + rest),
                ("unloading", 9, minutes),
                ("packing", 12, 10 + rest),
            ):
                stages.append(
                    f"{name},{stage},{day}T{start + i:02d}:00,{day}T{start + i:02d}:{took:02d},bench,Ada Quill,"
                )
    folder.mkdir()
    (folder / "builds.csv").write_text("\n".join(builds), encoding="utf-8")
    (folder / "stages.csv").write_text("\n".join(stages), encoding="utf-8")


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A shop that was fitted, got three weeks of other logs, and was fitted as of the first fit's last day."""
    folder = tmp_path_factory.mktemp("lab") / "shop"
    assert run(["init", str(folder), "--timezone", "UTC"]) == 0
    for name, weeks in (("first", range(WEEKS)), ("later", range(WEEKS, WEEKS + LATER))):
        write_logs(folder / name, weeks)
        assert run(["import", str(folder / name), "--shop", str(folder)]) == 0
        assert run(["fit", "--shop", str(folder)]) == 0
    last = FIRST + timedelta(weeks=WEEKS - 1, days=4)
    assert run(["fit", "--as-of", str(last), "--shop", str(folder)]) == 0
    return folder


def fit_columns(folder: Path, number: int) -> dict[tuple[str, str], str]:
    with open_store(folder, read_only=True) as store:
        rows = store.execute(
            "SELECT table_name, column_name, dtype, numbers, whole, texts FROM fit_column WHERE fit_id = ?", [number]
        ).fetchall()
    return {(table, column): repr(values) for table, column, *values in rows}


def fit_document(folder: Path, number: int) -> dict:
    with open_store(folder, read_only=True) as store:
        (text,) = store.execute("SELECT summary FROM fit WHERE fit_id = ?", [number]).fetchone()
    return json.loads(text)


def test_an_old_fit_is_made_again_to_the_last_bit(shop):
    first, second, again = (fit_columns(shop, number) for number in (1, 2, 3))
    assert again == first
    assert second != first  # the later logs do say something else
    documents = [fit_document(shop, number) for number in (1, 3)]
    assert documents[1].pop("runs_left_out").pop("after the day asked for") > 0
    assert documents[0].pop("runs_left_out") == {}
    assert documents[1] == documents[0]


@pytest.fixture
def learned(monkeypatch) -> list[int]:
    """Weeks that fits learn from now on."""
    found, learn = [], WeeklyPass.update

    def noted(self, number, *rest):
        found.append(number)
        return learn(self, number, *rest)

    monkeypatch.setattr(WeeklyPass, "update", noted)
    return found


def warm_and_cold(folder: Path, learned: list[int]) -> tuple[int, int]:
    """Fit with what the last fit kept, then without; weeks that each learned."""
    assert run(["fit", "--shop", str(folder)]) == 0
    warm = len(learned)
    with open_store(folder) as store:
        store.execute("DELETE FROM fit_checkpoint")
    assert run(["fit", "--shop", str(folder)]) == 0
    return warm, len(learned) - warm


def test_a_fit_that_begins_where_the_logs_have_changed_is_a_cold_one(shop, tmp_path, learned):
    kept = tmp_path / "kept"
    shutil.copytree(shop, kept)
    warm, cold = warm_and_cold(kept, learned)
    assert 0 < warm < cold
    assert fit_columns(kept, 5) == fit_columns(kept, 4) == fit_columns(shop, 2)  # 2: after the import of later logs


def test_a_correction_of_an_old_run_is_learned(shop, tmp_path, learned):
    corrected = tmp_path / "corrected"
    shutil.copytree(shop, corrected)
    stages = (shop / "first" / "stages.csv").read_text(encoding="utf-8").splitlines()[:2]
    started, ended = stages[1].split(",")[2:4]
    (tmp_path / "stages.csv").write_text(
        "\n".join(stages).replace(ended, started.replace(":00", ":55")), encoding="utf-8"
    )
    assert run(["import", str(tmp_path / "stages.csv"), "--shop", str(corrected)]) == 0
    warm, cold = warm_and_cold(corrected, learned)
    assert warm == cold  # the first week has changed
    assert fit_columns(corrected, 5) == fit_columns(corrected, 4) != fit_columns(shop, 2)


def test_its_predictions_are_the_old_ones(shop, tmp_path, capsys):
    (tmp_path / "plan.csv").write_text(
        "build_id,process,machine,parts,part_volume_cm3,height_mm,material,planned\nP1,MEX,ext-1,6,26,30,pla,true\n",
        encoding="utf-8",
    )
    capsys.readouterr()
    assert (
        run(["predict", str(tmp_path / "plan.csv"), "--out", str(tmp_path / "p.csv"), "--shop", str(shop), "--json"])
        == 0
    )
    rows = json.loads(capsys.readouterr().out)["predictions"]
    unloading = next(row for row in rows if row["stage"] == "unloading")
    assert unloading["runs_behind"] == 3 * 5 * WEEKS
    assert unloading["p50_min"] < 22  # not yet twice as long


def test_a_stored_fit_is_numbers_and_texts_only(shop):
    with open_store(shop, read_only=True) as store:
        kinds = {row[0] for row in store.execute("SELECT DISTINCT dtype FROM fit_column").fetchall()}
        blobs = store.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE data_type = 'BLOB'"
        ).fetchall()
        tables, _ = find_fit(store)
    assert kinds <= {"float", "int", "text", "bool", "time"}
    assert blobs == []
    assert all(
        isinstance(value, str | type(None)) for table in tables.values() for column in table
        if table[column].dtype == object for value in table[column]
    )  # fmt: skip
    assert any(np.issubdtype(table[column].dtype, np.floating) for table in tables.values() for column in table)
