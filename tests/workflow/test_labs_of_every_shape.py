"""Logs as other labs keep them: every command of the weekly round goes through, whatever is left out."""

import json

import numpy as np
import pandas as pd
import pytest

from calib.cli.app import run

STAGES = {
    "MEX": ("machine_setup", "printing", "unloading", "support_removal", "inspection"),
    "VPP": ("printing", "washing", "post_curing", "support_removal"),
    "PBF": ("printing", "cool_down", "breakout", "part_cleaning", "blasting"),
}


def logs(builds=24, seed=0):
    """Builds and stages with every column that the shapes below take away from."""
    rng = np.random.default_rng(seed)
    at = pd.Timestamp("2026-01-05 08:00")
    rows, runs = [], []
    for number in range(builds):
        process = ("MEX", "VPP", "PBF")[number % 3]
        name = f"X{number:03d}"
        rows.append(
            (
                name,
                process,
                f"{process.lower()}-7",
                int(rng.integers(1, 9)),
                float(rng.uniform(5, 90)),
                f"O{number // 2}",
            )
        )
        start = at + pd.Timedelta(days=number)
        for stage in STAGES[process]:
            minutes = float(rng.uniform(10, 60))
            end = start + pd.Timedelta(minutes=minutes)
            runs.append((name, f"O{number // 2}", stage, start, end, round(minutes, 1), "bench", "kim", "done"))
            start = end + pd.Timedelta(minutes=15)
    builds_frame = pd.DataFrame(
        rows, columns=["build_id", "process", "machine", "parts", "part_volume_cm3", "order_id"]
    )
    stages = ["build_id", "order_id", "stage", "started_at", "ended_at", "work_min", "station", "operator", "outcome"]
    return builds_frame, pd.DataFrame(runs, columns=stages)


def as_it_is(builds, stages):
    return builds, stages.drop(columns=["work_min", "order_id"])


def bare(builds, stages):
    return builds[["build_id", "process", "machine", "parts"]], stages[["build_id", "stage", "started_at", "ended_at"]]


def dates_and_minutes(builds, stages):
    return builds, stages.assign(date=stages["started_at"].dt.date)[["build_id", "stage", "date", "work_min"]]


def by_order(builds, stages):
    return builds, stages[["order_id", "stage", "started_at", "ended_at"]]


def one_row_for_the_rest(builds, stages):
    last = stages["stage"].isin(["part_cleaning", "blasting"])
    rows = stages[~last].assign(stage=lambda kept: kept["stage"].replace("breakout", "breakout+part_cleaning+blasting"))
    return builds, rows[["build_id", "stage", "started_at", "ended_at"]]


def never_ended(builds, stages):
    last = stages.groupby("build_id").tail(1).index
    return builds, stages.assign(ended_at=stages["ended_at"].mask(stages.index.isin(last)))[
        ["build_id", "stage", "started_at", "ended_at"]
    ]


def all_failed(builds, stages):
    return builds, stages.assign(outcome="failed")[["build_id", "stage", "started_at", "ended_at", "outcome"]]


def one_process(builds, stages):
    kept = builds[builds["process"] == "VPP"]
    return bare(kept, stages[stages["build_id"].isin(kept["build_id"])])


def three_runs(builds, stages):
    return bare(builds.head(1), stages.head(3))


def one_run(builds, stages):
    return bare(builds.head(1), stages.head(1))


def shared_loads(builds, stages):
    washes = stages[stages["stage"] == "washing"]
    pairs = washes.groupby(np.arange(len(washes)) // 2)
    joined = pairs.agg(
        build_id=("build_id", "+".join),
        stage=("stage", "first"),
        started_at=("started_at", "min"),
        ended_at=("ended_at", "max"),
    )
    rest = stages[stages["stage"] != "washing"]
    return builds, pd.concat([rest, joined])[["build_id", "stage", "started_at", "ended_at"]]


def with_offsets(builds, stages):
    stamps = {name: stages[name].dt.strftime("%Y-%m-%dT%H:%M:%S+05:30") for name in ("started_at", "ended_at")}
    return builds, stages.assign(**stamps)[["build_id", "stage", "started_at", "ended_at"]]


def without_printing(builds, stages):
    return bare(builds, stages[stages["stage"] != "printing"])


SHAPES = (
    as_it_is, bare, dates_and_minutes, by_order, one_row_for_the_rest, never_ended, all_failed, one_process, three_runs,
    one_run, shared_loads, with_offsets, without_printing,
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.__name__)
def test_the_weekly_round_goes_through(shape, tmp_path, capsys):
    lab = tmp_path / "lab"
    builds, stages = shape(*logs())
    builds.to_csv(tmp_path / "builds.csv", index=False)
    stages.to_csv(tmp_path / "stages.csv", index=False)
    builds.assign(build_id=builds["build_id"] + "p", planned="true").head(6).to_csv(tmp_path / "plan.csv", index=False)

    def answer(*words):
        capsys.readouterr()
        status = run([*map(str, words), "--shop", str(lab), "--json"])
        document = json.loads(capsys.readouterr().out)
        assert status == 0, document
        return document

    assert run(["init", str(lab), "--timezone", "Europe/Berlin"]) == 0
    imported = answer("import", tmp_path / "builds.csv", tmp_path / "stages.csv")
    assert [file["rows_new"] for file in imported["files"]] == [len(builds), len(stages)]
    fitted = answer("fit")
    assert fitted["runs_used"] > 0
    ranges = answer("predict", tmp_path / "plan.csv")["predictions"]
    assert {row["stage"] for row in ranges} >= {"printing", "total"}
    for row in ranges:
        assert 0 < row["p05_min"] <= row["p25_min"] <= row["p50_min"] <= row["p75_min"] <= row["p95_min"], row
    assert all(stage["state"] != "drifting" for stage in answer("drift")["stages"])
    answer("backtest")
    answer("report", "--out", tmp_path / "pages")
