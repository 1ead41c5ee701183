"""CPU time of what a lab with fifty open orders asks for: ``accept``, ``promises`` and a quote behind them.

A lab of ``floor_lab`` with some weeks of logs, imported and fitted; quotes of its parts, accepted until so many orders are
open. Then each command runs in a fresh Python, imports included; CPU seconds of the process, for the clock of a shared
machine says little. Target: ``accept`` and ``promises`` at most 5 s, a quote at most 2.5 s on a quiet machine.

    python bench/bench_open_orders.py [--orders 50] [--weeks 8] [--quick]
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import bench_promised_day as day
from floor_lab import WEEK, FloorLab, Setting

ASKED = (("MEX", "cube", 4), ("VPP", "tower", 6), ("PBF", "rail", 20))
PROMISE = timedelta(days=30)


def make_lab(folder: Path, weeks: int, orders: int) -> None:
    """Import and fit a lab's logs; then accept quotes, so many."""
    from calib.store.open_store import open_store
    from calib.store.quotes import Acceptance, accept_quote, save_quote
    from calib.workflow.fit import fit_shop
    from calib.workflow.import_logs import import_logs
    from calib.workflow.init import init_shop
    from calib.workflow.order import QuoteAsk
    from calib.workflow.quote import quote_part

    setting, end = Setting(1), weeks * WEEK
    lab = FloorLab(setting, day.cached("catalog", day.make_catalog)).run(end)
    init_shop(folder, "UTC")
    (folder / "shop.toml").write_text(day.shop_file(setting, False).replace(f"draws = {day.DRAWS}", ""))
    parts = day.write_parts(folder / "made")
    import_logs(folder, day.Writer(folder / "chunks", lab.orders, lab.rows, end).files(end))
    fit_shop(folder)
    documents = [quote_part(folder, parts[part], count, QuoteAsk((process,))) for process, part, count in ASKED]
    with open_store(folder) as store:
        for number in range(orders):
            name = save_quote(store, documents[number % len(documents)], kept=True)
            accept_quote(store, name, Acceptance(0, datetime.now(UTC) + PROMISE, day.SURE, None, f"O{number}"))


def cpu_of(words: list[str]) -> tuple[float, float]:
    """CPU and wall seconds of a command."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, "-m", "calib", *words], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, time.perf_counter() - began


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--orders", type=int, default=50)
    words.add_argument("--weeks", type=int, default=8)
    words.add_argument("--quick", action="store_true", help="ten orders, two weeks")
    given = words.parse_args()
    if given.quick:
        given.orders, given.weeks = 10, 2
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        make_lab(folder, given.weeks, given.orders)
        shop = ["--shop", str(folder)]
        part = str(folder / "made" / "cube.stl")
        asked = {
            "quote": ["quote", part, "--qty", "4", "--process", "MEX", "--keep", *shop],
            "accept": ["accept", f"Q{given.orders + len(ASKED) + 1:05d}", *shop],
            "promises": ["promises", *shop],
        }
        print(f"{given.orders} open orders\n{'':10}{'CPU s':>8}{'clock s':>9}")
        for command, line in asked.items():
            print(f"{command:10}{'{:8.2f}{:9.2f}'.format(*cpu_of(line))}", flush=True)


if __name__ == "__main__":
    main()
