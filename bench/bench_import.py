"""Import of a million stage rows, as a ratio against DuckDB's own typed read_csv of the same file, in one run.

    python bench/bench_import.py [ROWS]

Prints three ratios or seconds: the first import, the same file with 500 rows more, and a small lab's week of five files;
each by the clock and by CPU seconds, which tell more on a machine that others use. And the most memory it ever took.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter, process_time

import duckdb

from calib.store.imports import ImportOptions, import_files

ZONE = "Europe/Berlin"
STAGES = ["file_prep", "machine_setup", "warm_up", "printing", "cool_down", "unloading", "machine_cleaning",
          "part_cleaning", "inspection", "packing"]  # fmt: skip
LOG = f"""
SELECT 'B' || lpad((i // 10)::VARCHAR, 7, '0') AS build_id, {STAGES!r}[1 + i % 10] AS stage,
    strftime(TIMESTAMP '2020-01-01 06:00:00' + to_minutes(i // 10 * 30 + i % 10 * 60), '%Y-%m-%dT%H:%M:%S') AS started_at,
    strftime(TIMESTAMP '2020-01-01 06:00:00' + to_minutes(i // 10 * 30 + i % 10 * 60 + 20 + (hash(i) % 35)::INTEGER),
             '%Y-%m-%dT%H:%M:%S') AS ended_at,
    'station-' || i % 7 AS station, 'person ' || i // 10 % 200 AS operator, 1 + i % 9 AS parts, 'done' AS outcome
FROM range({{first}}, {{last}}) t(i)
"""


def seconds(work: Callable[[], object]) -> tuple[float, float]:
    """By the clock, and of CPU in all threads."""
    began, used = perf_counter(), process_time()
    work()
    return perf_counter() - began, process_time() - used


def typed_read(csv: Path, store: Path) -> None:
    """DuckDB's own typed read into an empty table of a file, with its checkpoint."""
    with duckdb.connect(str(store)) as con:
        con.execute("CREATE TABLE stage AS SELECT * FROM read_csv(?)", [str(csv)])
        con.execute("CHECKPOINT")


def write_logs(folder: Path, rows: int) -> tuple[Path, Path, Path]:
    """Builds, the log, and the log with 500 rows more at its end."""
    builds, log, longer = folder / "builds.csv", folder / "stages.csv", folder / "longer.csv"
    duckdb.sql(
        f"COPY (SELECT 'B' || lpad(i::VARCHAR, 7, '0') AS build_id, 'PBF' AS process, 'bed-1' AS machine, 3 AS parts "
        f"FROM range({rows // 10 + 50}) t(i)) TO '{builds}' (HEADER)"
    )
    duckdb.sql(f"COPY ({LOG.format(first=0, last=rows)}) TO '{log}' (HEADER)")
    duckdb.sql(f"COPY ({LOG.format(first=0, last=rows + 500)}) TO '{longer}' (HEADER)")
    return builds, log, longer


def small_week(folder: Path) -> tuple[float, float]:
    """Five files of 100 rows each into a small store."""
    shop = folder / "small"
    shop.mkdir()
    files = []
    for number in range(5):
        files.append(folder / f"week{number}.csv")
        duckdb.sql(f"COPY ({LOG.format(first=number * 100, last=number * 100 + 100)}) TO '{files[-1]}' (HEADER)")
    import_files(shop, [folder / "builds.csv"], ImportOptions(ZONE))
    return seconds(lambda: import_files(shop, files, ImportOptions(ZONE)))


def _beside(taken: tuple[float, float], typed: tuple[float, float]) -> str:
    clock, cpu = taken
    return f"{clock:.2f} s, {cpu:.2f} of CPU: {clock / typed[0]:.2f} and {cpu / typed[1]:.2f} times"


def main(rows: int) -> None:
    folder = Path(tempfile.mkdtemp(prefix="bench-"))
    try:
        builds, log, longer = write_logs(folder, rows)
        shop = folder / "shop"
        shop.mkdir()
        import_files(shop, [builds], ImportOptions(ZONE))
        times = [seconds(lambda n=n: typed_read(log, folder / f"{n}.duckdb")) for n in range(3)]
        typed = min(clock for clock, _ in times), min(cpu for _, cpu in times)
        first = seconds(lambda: import_files(shop, [log], ImportOptions(ZONE)))
        again = seconds(lambda: import_files(shop, [longer], ImportOptions(ZONE)))
        print(f"typed read_csv of {rows} rows: {typed[0]:.2f} s, {typed[1]:.2f} of CPU")
        print(f"import into an empty store:    {_beside(first, typed)} (target 2.5)")
        print(f"the same with 500 rows more:   {_beside(again, typed)} (target 1.5)")
        week, cpu = small_week(folder)
        print(f"a week of five files:          {week:.2f} s, {cpu:.2f} of CPU (target 1)")
        print(f"most memory:                   {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:.1f} GiB")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
