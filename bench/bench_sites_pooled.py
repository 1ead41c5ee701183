"""What a company's side costs beside its sites' own tasks, as sites are added: the prior file, the page, memory of the process.

python bench/bench_sites_pooled.py [--sites 125,250,500,1000,2000] [--drifting 0.1] [--quick]

One site learns; the results of all others are its own, each effect moved by the site's factor, some stages drifting.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from bench_sites_night import STAGE_SD, labs_of, send, site_name

from calib.sites.company_report import write_company_page
from calib.sites.prior_file import write_prior
from calib.sites.task import RESULTS, ROWS, Task, run_task
from calib.store.company import read_rows

KINDS = ("fit", "effects", "drift")


def spread_results(company: Path, sites: int, drifting: float) -> None:
    """Results of so many sites, as their tasks would have left them."""
    for kind in KINDS:
        (company / "made").mkdir(exist_ok=True)
        one, _ = read_rows([company / RESULTS / kind / f"site={site_name(0)}" / ROWS])
        for begin in range(1, sites, 500):
            numbers = np.arange(begin, min(begin + 500, sites))
            rows = pd.concat([one.assign(site=site_name(int(number))) for number in numbers], ignore_index=True)
            _moved(rows, np.random.default_rng([21, begin]), drifting)
            with duckdb.connect() as con:
                con.register("rows", rows)
                con.execute(
                    f"COPY (SELECT *, site AS of_site FROM rows) TO '{company / 'made' / kind}' "
                    "(FORMAT parquet, PARTITION_BY (of_site), OVERWRITE_OR_IGNORE)"
                )
        for path in (company / "made" / kind).glob("of_site=*/*.parquet"):
            place = company / RESULTS / kind / path.parent.name.removeprefix("of_") / ROWS
            place.parent.mkdir(parents=True, exist_ok=True)
            path.rename(place)


def _moved(rows: pd.DataFrame, rng: np.random.Generator, drifting: float) -> None:
    if "mean" in rows:
        rows["mean"] += rng.normal(0, STAGE_SD, len(rows))
    if "since" in rows:
        drifts = rng.random(len(rows)) < drifting
        days = pd.Timestamp("2025-07-01") + pd.to_timedelta(rng.integers(0, 180, len(rows)), unit="D")
        rows["state"] = np.where(drifts, "drifting", "steady")
        rows["since"] = np.where(drifts, days.strftime("%Y-%m-%d"), None)
        for name, off in (("change_pct", 0.0), ("change_pct_low", -5.0), ("change_pct_high", 5.0)):
            rows[name] = np.where(drifts, rng.normal(0, 20, len(rows)) + off, np.nan)


def seconds_of(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", default="125,250,500,1000,2000")
    parser.add_argument("--drifting", type=float, default=0.1, help="share of stages of all sites")
    parser.add_argument("--quick", action="store_true", help="50 and 100 sites")
    options = parser.parse_args()
    counts = "50,100" if options.quick else options.sites
    with tempfile.TemporaryDirectory() as name:
        company = Path(name, "company")
        send(labs_of(Path(name, "lab"), 20, 2000)[0], company, range(1))
        run_task(Task(str(company), site_name(0), "fit"))
        for sites in map(int, counts.split(",")):
            spread_results(company, sites, options.drifting)
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            prior = seconds_of(lambda: write_prior(company))
            again = seconds_of(lambda: write_prior(company))
            page = seconds_of(lambda: write_company_page(company, company / "page.html", overwrite=True))
            laws = len(json.loads((company / RESULTS / "prior.json").read_text(encoding="utf-8"))["laws"])
            more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
            print(
                f"{sites} sites: prior file {prior:.2f} s of the processor ({1000 * prior / sites:.2f} ms a site, {laws} laws), "
                f"again beside the last {again:.2f} s, page "
                f"{page:.2f} s ({1000 * page / sites:.2f} ms a site, {(company / 'page.html').stat().st_size / 1000:.0f} kB), "
                f"{more:.0f} MB more than before",
                flush=True,
            )


if __name__ == "__main__":
    main()
