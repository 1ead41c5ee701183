"""A night over many sites: cold, and with one new week; seconds a site, memory of a task, and whether it grows in line.

python bench/bench_sites_night.py [--sites 10,20,50] [--weeks 40] [--engine here]

All sites send the logs of one simulated lab (``other_lab``) under names of their own: what a night costs does not hang on whose they are.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
from other_lab import make_lab

from calib.shop.template import shop_text
from calib.sites import night as night_module
from calib.sites.night import run_night
from calib.sites.task import Outcome, Task, run_task
from calib.workflow.company import send_site
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs


def lab_of(folder: Path, weeks: int) -> tuple[Path, list[Path]]:
    """A lab that has all weeks but the last in its store, and the logs of the last one."""
    folder.mkdir(parents=True)
    (folder / "shop.toml").write_text(shop_text("UTC"), encoding="utf-8")
    made = make_lab(1, weeks=weeks, builds_per_week=6.0)
    last = set(made.truth.loc[made.truth["week"] == weeks - 1, "build_id"])
    paths = []
    for name, of_last in (("before", False), ("last", True)):
        for kind, frame in (("builds", made.builds), ("stages", made.stages)):
            path = folder / f"{kind}-{name}.csv"
            frame[frame["build_id"].isin(last) == of_last].to_csv(path, index=False)
            paths.append(path)
    import_logs(folder, paths[:2])
    return folder, paths[2:]


def in_turn(tasks: Sequence[Task], workers: int) -> Iterator[Outcome]:
    """An engine in this process, so that its processor time can be measured on a busy machine."""
    yield from map(run_task, tasks)


def timed(company: Path, engine: str) -> tuple[dict[str, Any], float]:
    """A night, and its seconds: of the processor in this process, of the clock with any other engine."""
    clock = time.process_time if engine == "here" else time.perf_counter
    start = clock()
    with in_this_process(engine):
        night = run_night(company, "fit", engine)
    return night, clock() - start


@contextmanager
def in_this_process(engine: str) -> Iterator[None]:
    kept = night_module._engine
    if engine == "here":
        night_module._engine = lambda name: in_turn
    try:
        yield
    finally:
        night_module._engine = kept


def nights(folder: Path, lab: Path, last: list[Path], sites: int, engine: str) -> dict[str, float]:
    labs = [shutil.copytree(lab, folder / f"lab{number}") for number in range(sites)]
    company = folder / "company"
    for number, one in enumerate(labs):
        send_site(one, company, f"S{number:04d}")
    cold, cold_cpu = timed(company, engine)
    for number, one in enumerate(labs):
        import_logs(one, last)
        send_site(one, company, f"S{number:04d}")
    following, next_cpu = timed(company, engine)
    _, quiet_cpu = timed(company, engine)
    assert cold["left_out"] == following["left_out"] == 0
    return {
        "sites": sites,
        "rows": cold["sites"][0]["runs"],
        "cold_a_site": cold_cpu / sites,
        "next_a_site": next_cpu / sites,
        "quiet_a_site": quiet_cpu / sites,
        "peak_mb": max(one["peak_mb"] for one in cold["sites"]),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", default="10,20,50")
    parser.add_argument("--weeks", type=int, default=40)
    parser.add_argument("--engine", default="here", help="here, local or spark")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        lab, last = lab_of(Path(name, "lab"), options.weeks)
        alone = shutil.copytree(lab, Path(name, "alone"))
        start = time.process_time()
        fit_shop(alone)
        print(f"calib fit in the lab itself: {time.process_time() - start:.2f} s of the processor", flush=True)
        found = []
        for number in map(int, options.sites.split(",")):
            found.append(nights(Path(name, str(number)), lab, last, number, options.engine))
            table = pd.DataFrame(found)
            print(table.round(2).to_string(index=False), flush=True)


if __name__ == "__main__":
    main()
