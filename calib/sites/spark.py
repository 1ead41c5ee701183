"""The engine for many machines: the same task for each site, spread by Spark. Which cluster, is that engine's own setting."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import pandas as pd

from calib.errors import UsageError
from calib.sites.task import COLUMNS, Outcome, Task, run_task

OLDEST_JAVA = 17  # of Spark 4
SCHEMA = "site string, state string, says string, runs long, seconds double, peak_mb double"
ASKED = "company string, site string, what string, weeks long"
TASKS_A_WORKER = 4  # partitions for each worker, so that one long site holds up few others


def run_spark(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
    """Outcomes, all at the end. The engine tries a task again whose worker is lost; what is done by then is not done twice.

    Raises UsageError where Java or the engine is missing or too old.
    """
    check_java()
    session = _session(workers)
    try:
        rows = [(task.company, task.site, task.what, task.weeks) for task in tasks]
        asked = session.createDataFrame(rows, ASKED)
        found = asked.groupBy("site").applyInPandas(run_group, SCHEMA).collect()
    finally:
        session.stop()
    yield from (Outcome(*(row[name] for name in COLUMNS)) for row in found)


def run_group(rows: pd.DataFrame) -> pd.DataFrame:
    """The tasks of one group, on a worker: each as any engine does it."""
    outcomes = []
    for row in rows.to_dict("records"):
        weeks = None if pd.isna(row["weeks"]) else int(row["weeks"])
        outcomes.append(asdict(run_task(Task(row["company"], row["site"], row["what"], weeks))))
    return pd.DataFrame(outcomes, columns=[field.name for field in fields(Outcome)])


def _session(workers: int) -> Any:
    try:
        from pyspark.sql import SparkSession
    except ImportError:
        raise UsageError(
            "The engine spark is not installed.", "pip install 'calib[spark]', or say --engine local."
        ) from None
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    build = SparkSession.builder.appName("calib sites").config("spark.ui.showConsoleProgress", "false")
    settings = {
        "spark.sql.adaptive.enabled": "false",  # it would put small groups together: here a group is small and its task long
        "spark.sql.shuffle.partitions": str(TASKS_A_WORKER * workers),
        "spark.sql.execution.arrow.maxRecordsPerBatch": "1",
        "spark.ui.enabled": "false",
    }
    for name, value in settings.items():
        build = build.config(name, value)
    return build.getOrCreate()


def check_java() -> None:
    """Raises UsageError where there is no Java, or one that the engine cannot use."""
    home = os.environ.get("JAVA_HOME")
    program = str(Path(home, "bin", "java")) if home else shutil.which("java")
    remedy = (
        f"Install Java {OLDEST_JAVA} or newer (Debian: apt-get install default-jre-headless), or say --engine local."
    )
    if not program or not Path(program).exists():
        where = f"in JAVA_HOME, {home}" if home else "on this machine"
        raise UsageError(f"The engine spark needs Java, and there is none {where}.", remedy)
    printed = subprocess.run([program, "-version"], capture_output=True, text=True, check=False).stderr
    found = re.search(r'version "(?:1\.)?(\d+)', printed)
    if found is None or int(found[1]) < OLDEST_JAVA:
        version = found[1] if found else "of no known version"
        raise UsageError(f"The engine spark needs Java {OLDEST_JAVA} or newer; {program} is {version}.", remedy)
