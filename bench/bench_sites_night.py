"""Nights over many sites: cold, with one new week, and without news; seconds a site and memory of a task as sites are added.

python bench/bench_sites_night.py [--sites 25,100,250] [--rows 20000] [--weeks 52] [--engine here] [--workers 1] [--folder DIR] [--quick]

Each number of sites is the total by then: 25 have their nights, then 75 more join them, and so on; figures are of the new ones.
All sites send the logs of one simulated lab (``other_lab``), each with its own factor and noise of every stage, as ``calib
export`` writes them. A line is printed after every block of sites, so that a run that is ended early has said what it found.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import forkserver
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
from other_lab import PROCESSES, OtherLab, _every_stage, make_lab

from calib.shop.template import shop_text
from calib.sites import night as night_module
from calib.sites.company_report import write_company_page
from calib.sites.night import run_night
from calib.sites.task import DONE, Outcome, Task, run_task
from calib.store.company_export import SENT, Site, export_site
from calib.store.migrate import migrate
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs

ROWS_A_BUILD = 8.4  # of ``other_lab``
WHOLE_SD, STAGE_SD, NOISE = 0.15, 0.25, (0.02, 0.15)  # between sites, log; noise that a site has on top of the lab's
BLOCK = 25  # sites of a printed line

# Each run as long as the site takes for it, each start moved by what its build has lost or won by then; waits stay.
_MOVED = """
WITH lasted AS (
    SELECT s.*, epoch_us(s.ended_at) - epoch_us(s.started_at) AS us,
        exp(f.moved + f.noise * sqrt(-2 * ln(((hash(s.build_id, s.stage, $seed) % 999983) + 1) / 999985))
            * cos(2 * pi() * (hash(s.stage, s.build_id, $seed + 1) % 999983) / 999983)) AS ratio
    FROM lab.stage_run s JOIN lab.build b USING (build_id) JOIN factor f ON f.process = b.process AND f.stage = s.stage
), later AS (
    SELECT *, coalesce(sum(us * (ratio - 1)) OVER (
        PARTITION BY build_id ORDER BY started_at ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS lost FROM lasted
)
SELECT * EXCLUDE (us, ratio, lost) REPLACE (
    make_timestamp((epoch_us(started_at) + lost)::BIGINT) AS started_at,
    make_timestamp((epoch_us(started_at) + lost + us * ratio)::BIGINT) AS ended_at) FROM later
"""


def labs_of(folder: Path, weeks: int, rows: int) -> tuple[Path, Path]:
    """One lab with about so many stage rows in its store, and the same a week later."""
    made = make_lab(1, weeks=weeks + 1, builds_per_week=rows / weeks / ROWS_A_BUILD)
    new = made.truth.loc[made.truth["week"] == weeks, "build_id"]
    before, after = folder / "before", folder / "after"
    before.mkdir(parents=True)
    (before / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    _import(before, made, ~made.builds["build_id"].isin(new))
    shutil.copytree(before, after)  # with the aliases of its people
    _import(after, made, made.builds["build_id"].isin(new))
    return before, after


def _import(lab: Path, made: OtherLab, wanted: pd.Series) -> None:
    """Log files of these builds, as the lab would hand them in."""
    builds = made.builds[wanted]
    builds.to_csv(lab / "builds.csv", index=False)
    made.stages[made.stages["build_id"].isin(builds["build_id"])].to_csv(lab / "stages.csv", index=False)
    import_logs(lab, [lab / "builds.csv", lab / "stages.csv"])


def send(lab: Path, company: Path, sites: range) -> None:
    """What ``calib export`` would write for each of the sites."""
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        migrate(con)
        con.execute(f"ATTACH '{lab / 'shop.duckdb'}' AS lab (READ_ONLY)")
        for table in sorted(set(SENT) - {"stage_run"}):
            con.execute(f"INSERT INTO {table} BY NAME FROM lab.{table}")
        for number in sites:
            factors = site_factors(number)
            con.register("factor", factors)
            con.execute("DELETE FROM stage_run")
            con.execute(f"INSERT INTO stage_run BY NAME {_MOVED}", {"seed": 2 * number})
            name = site_name(number)
            export_site(con, company, Site(name, f"lab-{name}"), lab / "shop.toml")


def site_name(number: int) -> str:
    return f"S{number:04d}"


def site_factors(number: int) -> pd.DataFrame:
    """What the site takes for each stage against the lab (log), and the noise of its runs on top."""
    rng = np.random.default_rng([20, number])
    pairs = [(process, stage) for process in PROCESSES for stage in _every_stage(process)]
    made = pd.DataFrame(pairs, columns=["process", "stage"])
    made["moved"] = rng.normal(0, WHOLE_SD) + rng.normal(0, STAGE_SD, len(made))
    made["noise"] = rng.uniform(*NOISE, len(made))
    return made


def in_turn(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
    """An engine in this process: the loop that the others are measured against."""
    yield from map(run_task, tasks)


@dataclass(frozen=True)
class Done:
    """cpu_s, clock_s : by then, of the tasks' processes and of the clock since the night began"""

    outcome: Outcome
    cpu_s: float
    clock_s: float

    @property
    def is_new(self) -> bool:
        return self.outcome.state == DONE


def processor_seconds(engine: str) -> float:
    """Of this process, or of those that the local engine's server has forked and that have ended; 0 before it is there."""
    if engine == "here":
        return time.process_time()
    server = forkserver._forkserver._forkserver_pid
    if server is None:
        return 0.0
    fields = Path(f"/proc/{server}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def watched(engine: str) -> Iterator[list[Done]]:
    """Each outcome that the engine gives, as it comes; a line for each BLOCK of those with news."""
    find, seen = night_module._engine, list[Done]()

    def run(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
        start, cpu = time.perf_counter(), processor_seconds(engine)
        for outcome in (in_turn if engine == "here" else find(engine))(tasks, workers):
            seen.append(Done(outcome, processor_seconds(engine) - cpu, time.perf_counter() - start))
            show_block(seen, len(tasks))
            yield outcome

    night_module._engine = lambda name: run
    try:
        yield seen
    finally:
        night_module._engine = find


def show_block(seen: list[Done], sites: int) -> None:
    new = [place for place, done in enumerate(seen) if done.is_new]
    if new and seen[-1].is_new and (len(new) % BLOCK == 0 or len(seen) == sites):
        block = new[(len(new) - 1) // BLOCK * BLOCK :]
        print(
            f"    {time.strftime('%H:%M')} {len(seen)} of {sites} sites; the last {len(block)} with news: "
            f"{cpu_each(seen, block):.2f} s of the processor each, {np.mean([seen[i].outcome.seconds for i in block]):.2f} s of the "
            f"clock, most memory {max(seen[i].outcome.peak_mb for i in block):.0f} MB",
            flush=True,
        )


def cpu_each(seen: list[Done], block: list[int]) -> float:
    """Mean of the tasks at these places in the order of their ends; with one worker, each is what was used since the one before."""
    before = [seen[i - 1].cpu_s if i else 0.0 for i in block]
    return float(np.mean([seen[i].cpu_s - start for i, start in zip(block, before, strict=True)])) if block else np.nan


def night(company: Path, what: str, name: str, options: argparse.Namespace) -> dict[str, Any]:
    """What a night cost each site: processor seconds of its task, with and without news; of the clock, in the task and beside it."""
    start, cpu = time.perf_counter(), time.process_time()
    with watched(options.engine) as seen:
        document = run_night(company, what, options.engine, options.workers)
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    assert document["left_out"] == 0, [one["says"] for one in document["sites"] if one["state"] == "left out"][:3]
    new = [place for place, done in enumerate(seen) if done.is_new]
    quiet = [place for place, done in enumerate(seen) if not done.is_new]
    return {
        "night": name,
        "sites": len(seen),
        "new": len(new),
        "rows": sum(seen[i].outcome.runs for i in new),
        "new_cpu_s": cpu_each(seen, new),
        "quiet_cpu_s": cpu_each(seen, quiet),
        "new_clock_s": np.mean([seen[i].outcome.seconds for i in new]) if new else np.nan,
        "engine_clock_s": (seen[-1].clock_s - sum(done.outcome.seconds for done in seen) / options.workers) / len(seen),
        "here_cpu_s": cpu,
        "pooled_clock_s": seconds - seen[-1].clock_s,
        "peak_mb": max(done.outcome.peak_mb for done in seen),
    }


def page(company: Path) -> dict[str, Any]:
    start = time.process_time()
    document = write_company_page(company, company / "page.html", overwrite=True)
    return {"night": "page", "sites": document["sites"], "here_cpu_s": time.process_time() - start}


def grown(folder: Path, labs: tuple[Path, Path], options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    company, have = folder / "company", 0
    for total in map(int, options.sites.split(",")):
        for name, lab in zip(("cold", "next"), labs, strict=True):
            start = time.perf_counter()
            send(lab, company, range(have, total))
            print(
                f"  {name} night of {total - have} more sites, sent in {time.perf_counter() - start:.0f} s", flush=True
            )
            yield night(company, "fit", name, options)
        have = total
        yield night(company, "fit", "quiet", options)
        if options.drift:
            yield night(company, "drift", "drift", options)
        yield page(company)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", default="25,100,250")
    parser.add_argument("--rows", type=int, default=20_000, help="of a site, about")
    parser.add_argument("--weeks", type=int, default=52)
    parser.add_argument("--engine", default="here", help="here, local or spark")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--drift", action="store_true", help="a night of charts, too")
    parser.add_argument("--folder", type=Path, help="where the company's store is kept; else it is removed")
    parser.add_argument("--quick", action="store_true", help="one site, then another, of 500 rows in 5 weeks")
    options = parser.parse_args()
    if options.quick:
        options.sites, options.rows, options.weeks = "1,2", 500, 5
    with tempfile.TemporaryDirectory() as name:
        labs = labs_of(Path(name, "lab"), options.weeks, options.rows)
        start = time.process_time()
        fit_shop(labs[0])
        print(f"calib fit in the lab itself: {time.process_time() - start:.2f} s of the processor", flush=True)
        found = []
        for line in grown(options.folder or Path(name), labs, options):
            found.append(line)
            print(pd.DataFrame(found).round(3).to_string(index=False), flush=True)


if __name__ == "__main__":
    main()
