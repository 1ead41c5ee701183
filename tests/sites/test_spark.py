"""The engine for many machines: a cluster on this one, with workers of their own; and what is missing, in one sentence."""

from __future__ import annotations

import duckdb
import pytest

from calib.cli.app import run
from calib.errors import UsageError
from calib.sites.spark import check_java, run_group
from calib.sites.task import DONE, LEFT_OUT, UNCHANGED


def fake_java(folder, says):
    program = folder / "bin" / "java"
    program.parent.mkdir(parents=True)
    program.write_text(f"#!/bin/sh\necho '{says}' >&2\n")
    program.chmod(0o755)


@pytest.mark.parametrize(
    ("says", "sentence"),
    [
        (None, "there is none in JAVA_HOME"),
        ('openjdk version "11.0.2" 2019-01-15', r"needs Java 17 or newer; .*java is 11\."),
        ('java version "1.8.0_151"', r"java is 8\."),
        ("no java at all", "of no known version"),
    ],
)
def test_java_missing_or_too_old_is_one_sentence(tmp_path, monkeypatch, says, sentence):
    monkeypatch.setenv("JAVA_HOME", str(tmp_path))
    if says:
        fake_java(tmp_path, says)
    with pytest.raises(UsageError, match=sentence) as caught:
        check_java()
    assert "--engine local" in caught.value.hint


def test_a_java_that_fits_is_taken(tmp_path, monkeypatch):
    monkeypatch.setenv("JAVA_HOME", str(tmp_path))
    fake_java(tmp_path, 'openjdk version "21" 2023-09-19')
    check_java()


def test_without_java_the_command_says_so_and_changes_nothing(learned, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("JAVA_HOME", str(tmp_path / "nowhere"))
    assert run(["sites", "fit", str(learned / "all"), "--engine", "spark"]) == 2
    assert "needs Java, and there is none" in capsys.readouterr().err


def test_a_worker_does_what_any_engine_does(learned):
    import pandas as pd

    asked = pd.DataFrame({"company": str(learned / "all"), "site": ["S1", "S9"], "what": "fit", "weeks": None})
    outcomes = run_group(asked)
    assert outcomes["state"].tolist() == [UNCHANGED, LEFT_OUT]


@pytest.mark.slow
def test_a_cluster_of_two_workers_learns_the_same_to_the_last_bit(company, learned, tmp_path):
    pytest.importorskip("pyspark", reason="the engine spark is not installed: pip install 'calib[spark]'")
    try:
        check_java()
    except UsageError as error:
        pytest.skip(str(error))
    program = (
        "import sys; from calib.sites.night import run_night; from pathlib import Path\n"
        "night = run_night(Path(sys.argv[1]), 'fit', 'spark', 2)\n"
        "print([(one['site'], one['state']) for one in night['sites']])\n"
    )
    import os
    import subprocess
    import sys

    arguments = "--master local-cluster[2,1,1024] --driver-memory 512m --conf spark.driver.host=127.0.0.1 pyspark-shell"
    environment = {**os.environ, "PYSPARK_SUBMIT_ARGS": arguments, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", program, str(company / "all")],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.strip() == str([("S1", DONE), ("S2", DONE), ("S3", DONE)])
    for seed in (1, 2, 3):
        rows = [
            duckdb.sql(f"FROM '{place}/all/results/effects/site=S{seed}/*.parquet' ORDER BY ALL").fetchall()
            for place in (company, learned)
        ]
        assert rows[0] == rows[1]
