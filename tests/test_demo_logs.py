"""The invented lab: made again byte for byte, in the formats it claims, with the truth that it says it holds."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.geometry.read_mesh import read_mesh
from calib.records import BASES, DIFFICULTIES, FINISHES, OUTCOMES, PROCESS_WORDS, ROUTES, STAGES
from calib.shop.read_shop import read_shop

DEMO = Path(__file__).parent.parent / "demo_logs"
MADE = ("shop.toml", "truth.json", "plan.csv")
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
FAULTY = {(fault["file"], fault["line"]) for fault in TRUTH["set_aside"]}
ONCE_ONLY = {TRUTH["repeated_file"]["name"], "2026-11-corrections.csv"}


def read_logs(kind: str) -> pd.DataFrame:
    """All files of a kind with file and line, without the copy, the corrections and the rows faulty on purpose."""
    frames = []
    for path in sorted((DEMO / "logs").glob(f"*{kind}*.csv")):
        if path.name not in ONCE_ONLY:
            frame = pd.read_csv(path, dtype=str, keep_default_na=False)
            frames.append(frame.assign(file=path.name, line=np.arange(2, len(frame) + 2)))
    rows = pd.concat(frames, ignore_index=True)
    return rows[[place not in FAULTY for place in zip(rows["file"], rows["line"], strict=True)]]


@pytest.fixture(scope="module")
def bench() -> pd.DataFrame:
    """Bench rows with minutes where both stamps or the minutes are written, and what the log says of the build."""
    rows = read_logs("bench")
    stamped = (pd.to_datetime(rows["ended_at"]) - pd.to_datetime(rows["started_at"])).dt.total_seconds() / 60
    paused = pd.to_numeric(rows["paused_min"]).fillna(0)
    day = pd.to_datetime(rows["started_at"].where(rows["started_at"] != "", rows["date"]).str[:10])
    return rows.assign(minutes=pd.to_numeric(rows["work_min"]).fillna(stamped - paused), day=day)


@pytest.fixture(scope="module")
def builds() -> pd.DataFrame:
    return read_logs("builds").set_index("build_id")


def test_made_again_byte_for_byte(tmp_path):
    subprocess.run([sys.executable, DEMO / "make_demo.py", tmp_path], check=True)
    shipped = {p.relative_to(DEMO) for name in ("logs", "parts") for p in (DEMO / name).iterdir()}
    shipped |= {Path(name) for name in MADE}
    made = {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file()}
    assert made == shipped
    differing = [str(path) for path in sorted(made) if (tmp_path / path).read_bytes() != (DEMO / path).read_bytes()]
    assert differing == []


def test_folder_stays_small():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 3_000_000


def test_shop_file_is_read_without_a_doubt_and_has_what_the_logs_name(bench, builds):
    shop = read_shop(DEMO)
    assert shop.warnings == ()
    assert set(builds["machine"]) == set(shop.machines)
    assert set(builds["material"]) == set(shop.materials)
    assert set(bench["station"]) - {"desk"} <= {*shop.stations, *shop.machines}
    assert set(TRUTH["operator_log"]) == set(bench["operator"]) - {""}
    assert shop.timezone == TRUTH["timezone"]


def test_words_are_those_of_the_interface(bench, builds):
    stages = {stage for name in bench["stage"] for stage in name.split("+")}
    assert stages <= set(STAGES)
    assert set(read_logs("machines")["stage"]) == {"warm_up", "printing", "cool_down"}
    assert set(builds["process"].str.lower()) <= set(PROCESS_WORDS)
    assert set(builds["finish"]) <= set(FINISHES)
    assert set(builds["difficulty"]) <= {"", *DIFFICULTIES}
    assert set(bench["outcome"]) | set(read_logs("machines")["outcome"]) <= {"", *OUTCOMES}


def test_every_stage_of_a_build_is_one_of_its_process(bench, builds):
    of_builds = bench[~bench["build_id"].isin(["", *TRUTH["held_rows"]])]
    for ids, stage in zip(of_builds["build_id"], of_builds["stage"], strict=True):
        for build in ids.split("+"):
            process = PROCESS_WORDS[builds.loc[build, "process"].lower()]
            assert set(stage.split("+")) <= set(ROUTES[process]), (build, process, stage)


@pytest.mark.parametrize("path", sorted((DEMO / "parts").iterdir()), ids=lambda p: p.name)
def test_parts_are_closed_bodies_of_one_piece(path):
    mesh = read_mesh(path)
    assert mesh.watertight
    assert mesh.bodies == 1
    assert mesh.volume_mm3 > 1000


def test_planted_step_is_in_the_logs(bench, builds):
    cured = bench[(bench["stage"] == "post_curing") & (bench["note"] != "hurried") & bench["minutes"].notna()]
    log = np.log(cured["minutes"])
    material = cured["build_id"].str.split("+").str[0].map(builds["material"])
    log = log - log.groupby(material).transform("median")
    later = cured["day"] >= TRUTH["step"]["date"]
    found = 100 * (np.exp(log[later].median() - log[~later].median()) - 1)
    assert abs(found - TRUTH["step"]["per_cent"]) < 6  # three standard errors: sd 0.07, 40 and 70 runs
    event = read_logs("events").query("station == 'cure-1'")["at"].iloc[0]
    assert pd.Timestamp(event) - pd.Timestamp(TRUTH["step"]["date"]) >= pd.Timedelta(days=14)


def test_planted_creep_is_in_the_logs(bench, builds):
    """Least squares on what blasting scales with; the slope against the planted one, within three standard errors."""
    blasted = bench[(bench["stage"] == "blasting") & ~bench["build_id"].str.contains("+", regex=False)]
    of_build = builds.loc[blasted["build_id"]]
    area = pd.to_numeric(of_build["part_area_cm2"]).to_numpy()
    work = 6 + 0.6 * pd.to_numeric(of_build["parts"]).to_numpy() + area / 160
    weeks = (blasted["day"] - pd.Timestamp(TRUTH["creep"]["date"])).dt.days.clip(lower=0).to_numpy() / 7
    log = np.log(blasted["minutes"].to_numpy() / work) - blasted["operator"].map(TRUTH["operator_log"]).to_numpy()
    known = np.isfinite(log) & (np.abs(log - np.nanmedian(log)) < 0.9)  # forgotten timers stand out by far
    slope, error = slope_and_error(weeks[known], log[known])
    assert abs(slope - TRUTH["creep"]["log_per_week"]) < 3 * error
    assert slope > 3 * error


def slope_and_error(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    x = x - x.mean()
    slope = float(x @ y / (x @ x))
    left = y - y.mean() - slope * x
    return slope, float(np.sqrt(left @ left / (len(x) - 2) / (x @ x)))


def test_planted_people_are_in_the_logs(bench, builds):
    """Bench stages that depend on little else: medians of log minutes by person, against the planted differences."""
    plain = bench[bench["stage"].isin(["machine_cleaning", "unloading", "file_prep"]) & bench["minutes"].notna()]
    process = plain["build_id"].map(builds["process"]).str.lower().map(PROCESS_WORDS)
    log = np.log(plain["minutes"])
    log = log - log.groupby([plain["stage"], process]).transform("median")
    found = log.groupby(plain["operator"]).median()
    planted = pd.Series(TRUTH["operator_log"])
    apart = (found - found.mean()) - (planted - planted.mean())
    assert apart.abs().max() < 0.08  # about three standard errors: sd 0.35, 200 runs each


def test_troubles_are_as_many_as_the_truth_says(bench):
    assert (bench["stage"].str.contains("+", regex=False)).sum() == TRUTH["sum_rows"]
    stamps_lost = (bench["date"] != "") & ~bench["stage"].str.contains("+", regex=False)
    assert stamps_lost.sum() == TRUTH["date_only_rows"] + len(TRUTH["held_rows"])
    assert (bench["ended_by"] == "found").sum() == TRUTH["found_ends"]
    assert (bench["build_id"].str.contains("+", regex=False)).sum() == TRUTH["shared_load_rows"]
    machines = read_logs("machines")
    failed = set(machines.loc[machines["outcome"].isin(["failed", "stopped"]), "build_id"])
    assert failed == set(TRUTH["failed_builds"])
    assert failed & set(machines.loc[machines["attempt"] == "2", "build_id"])


def test_forgotten_timers_and_lost_ends_stand_where_the_truth_says(bench):
    keys = ["build_id", "order_id", "stage", "started_at", "station"]
    rows = bench.drop_duplicates(keys).set_index(keys, drop=False)
    wall = (pd.to_datetime(rows["ended_at"]) - pd.to_datetime(rows["started_at"])).dt.total_seconds() / 60
    for run in TRUTH["forgotten_timers"]:
        assert wall[tuple(run[key] for key in keys)] > 2 * run["worked_min"], run
    for run in TRUTH["missing_ends"]:
        assert rows.loc[tuple(run[key] for key in keys), "ended_at"] == "", run


def test_the_copy_repeats_and_the_corrections_share_the_keys_of_what_they_mend(bench):
    copy = DEMO / "logs" / TRUTH["repeated_file"]["name"]
    assert copy.read_bytes() == (DEMO / "logs" / "2026-07-bench.csv").read_bytes()
    keys = ["build_id", "order_id", "stage", "started_at", "station", "attempt"]
    mended = pd.read_csv(DEMO / "logs" / "2026-11-corrections.csv", dtype=str, keep_default_na=False)
    assert len(mended) == TRUTH["corrections"] > 5
    both = mended.merge(bench, on=keys, suffixes=("", "_before"))
    assert len(both) == len(mended)
    assert (both["ended_at"] != both["ended_at_before"]).all()


def test_a_print_ends_at_a_local_time_that_exists_twice():
    run = TRUTH["clock_change_run"]
    machines = read_logs("machines")
    found = machines[(machines["build_id"] == run["build"]) & (machines["stage"] == "printing")]
    assert found["ended_at"].tolist() == [run["ended_at"]]
    assert found["station"].tolist() == ["ext-3"]


def test_faulty_rows_are_where_the_truth_says():
    for fault in TRUTH["set_aside"]:
        lines = (DEMO / "logs" / fault["file"]).read_text(encoding="utf-8").splitlines()
        assert 2 <= fault["line"] <= len(lines)
    assert Counter(fault["why"].split(" B")[0] for fault in TRUTH["set_aside"])["unknown stage"] == 1


def test_nobody_is_in_two_places_at_once(bench):
    """Rows of one person's hands do not overlap, but for timers that were forgotten and starts that were mended."""
    marked = [
        (run["stage"], run["started_at"]) for key in ("forgotten_timers", "overlapping_rows") for run in TRUTH[key]
    ]
    hands = bench[bench["stage"].map(lambda stage: STAGES[stage.split("+")[0]].hands in ("all", "part"))]
    hands = hands[(hands["ended_at"] != "") & (hands["started_at"] != "")]
    spoiled = [key in marked for key in zip(hands["stage"], hands["started_at"], strict=True)]
    hands = hands[~np.array(spoiled)].sort_values(["operator", "started_at"])
    start, end = pd.to_datetime(hands["started_at"]), pd.to_datetime(hands["ended_at"])
    overlap = (end.groupby(hands["operator"]).shift() - start).dt.total_seconds() / 60
    assert overlap.max() <= 1  # stamps are written to the minute


def test_plan_holds_200_builds_on_several_bases():
    plan = pd.read_csv(DEMO / "plan.csv", dtype=str, keep_default_na=False)
    assert len(plan) == 200
    assert plan["build_id"].is_unique
    assert (plan["planned"] == "true").all()
    noted = {
        "volume": plan["part_volume_cm3"], "announced": plan["announced_min"],
        "mass_layers": plan["material_g"], "profile": plan["part_file"],
    }  # fmt: skip
    assert set(noted) < set(BASES)
    assert all((column != "").sum() > 5 for column in noted.values())
