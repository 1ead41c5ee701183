"""The promised day against a lab on the floor: import, fit, quote each order at its arrival, accept, wait for the truth.

``floor_lab`` runs a lab event by event and knows when each order was packed; its logs, the shop file that it would have,
and the quotes are calib's, through the workflow functions of the commands. Orders are scored beside the truth's own
forward runs from the state of that minute (known parameters, unknown luck). Two rows of figures: on what really came
(one finish an order), and expected over the truth's forward runs (the same with less chance in it). ``kept``: by the half day promised at '90 % sure', of which the quote
``stated`` so much; ``by sure``: by the minute before it was rounded up to that half day.

Dirty logs: 3 % of machine ends missing, 2 % of rows missing, default routes in the shop file though one of their stages
is not done at all and three are done and never logged. Seeds 1 to 20 are for tuning; figures that are reported come from 101 on.

    python bench/bench_promised_day.py [--quick] [--seeds 101-104] [--orders 75] [--load 0.5] [--dirty]
                                       [--weeks-of-history 16] [--processes MEX,VPP,PBF] [--jobs 2]

``--weeks-of-history 0``: nothing is ever fitted. ``--each FILE`` keeps a row for each order, one JSON document a line, as
they come; ``--read FILE`` makes the table of such a file again. Simulations are
kept in a cache, so that a second run with another calib costs its quotes alone.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import pickle
import random
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from multiprocessing.pool import ThreadPool
from pathlib import Path
from time import process_time

os.environ.setdefault("OMP_NUM_THREADS", "1")

import floor_lab
import numpy as np
import pandas as pd
from floor_lab import AFTER, ALONE, BEFORE, MACHINES, ROUTES, WEEK, Order, Row, Setting

CACHE = Path(tempfile.gettempdir()) / f"floor_lab_{os.getuid()}"
EPOCH = datetime(2026, 1, 5, tzinfo=UTC)  # a Monday
FORWARD = 60
DRAWS = 800
CHANCES = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)
HELD = {"50": (0.25, 0.75), "80": (0.1, 0.9), "90": (0.05, 0.95)}
ENDS_MISSING, ROWS_MISSING = 0.03, 0.02
NEVER_LOGGED = ("machine_cleaning", "draining", "cool_down")  # with dirty logs, though done
SIDES = {
    "plate": (60, 40, 6),
    "block": (35, 30, 25),
    "tower": (25, 25, 70),
    "rail": (120, 18, 12),
    "cube": (50, 50, 45),
    "clip": (22, 14, 9),
    "spool": (40, 40, 34),  # two plates on a rod: wants supports
}
DOWN = {"as it lies in the file": "z-"} | {
    f"on the file's {side} side": side for side in ("x-", "x+", "y-", "y+", "z+")
}
QUANTITIES = {"MEX": (1, 2, 4, 9, 20), "VPP": (1, 3, 6, 14, 40), "PBF": (3, 8, 20, 50)}
SURE = 0.9


# -- the lab's shop, parts and plans -----------------------------------------------------------------------------------


def shop_file(setting: Setting, dirty: bool) -> str:
    """The shop file of the lab: calib's usual one with its machines, and its routes where its logs are clean."""
    from calib.shop.template import shop_text

    head, mark, rest = shop_text("UTC").partition("# --- materials")
    head, *blocks = head.split("\n[[machine]]\n")
    usual = {process: block for block in blocks for process in MACHINES if f'process = "{process}"' in block}
    text = head
    for process, names in setting.machines:
        for name in names:
            _, _, block = usual[process].partition("\n")
            text += f'\n[[machine]]\nid = "{name}"\n{block}'
    text += mark + rest
    text = text.replace("size = 2 ", f"size = {setting.day_people} ").replace(
        "[quoting]", f"[quoting]\ndraws = {DRAWS}"
    )
    if dirty:
        return text
    routes = {process: [*BEFORE, *route, *AFTER] for process, route in ROUTES.items()}
    every = sorted({stage for route in routes.values() for stage in route})
    stated = "\n".join(f"{process} = {json.dumps(route)}" for process, route in routes.items())
    return text.replace("# [routes]", f"[routes]\n{stated}\nalways_logged = {json.dumps(every)}")


def write_parts(folder: Path) -> dict[str, Path]:
    import trimesh

    folder.mkdir(parents=True, exist_ok=True)
    paths = {}
    for name, sides in SIDES.items():
        paths[name] = folder / f"{name}.stl"
        body = trimesh.creation.box(sides)
        if name == "spool":
            plates = [trimesh.creation.box((40, 40, 7)).apply_translation((0, 0, at)) for at in (-13.5, 13.5)]
            body = trimesh.boolean.union([*plates, trimesh.creation.box((12, 12, 24))])
        body.export(paths[name])
    return paths


def make_catalog() -> dict[tuple[str, str, int], list[dict]]:
    """(process, part, quantity) -> the builds of such an order, as calib would lay them, and the side on which parts lie."""
    from calib.workflow.init import init_shop
    from calib.workflow.order import QuoteAsk
    from calib.workflow.quote import quote_part

    catalog = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        init_shop(folder, "UTC")
        (folder / "shop.toml").write_text(shop_file(Setting(0), False).replace(f"draws = {DRAWS}", "draws = 100"))
        parts = write_parts(folder / "parts")
        for process, quantities in QUANTITIES.items():
            for part, path in parts.items():
                for quantity in quantities:
                    document = quote_part(folder, path, quantity, QuoteAsk((process,), start="2026-01-05T09:00"))
                    option = next(one for one in document["options"] if one["machine"] == MACHINES[process][0])
                    (pose,) = (DOWN[one["lies"]] for one in option["poses"])
                    rows = [
                        {key: value for key, value in row.items() if key != "builds"} | {"pose": pose}
                        for row in option["plan"]
                        for _ in range(row["builds"])
                    ]
                    if len(rows) <= 3:
                        catalog[process, part, quantity] = rows
    return catalog


def cached(key: str, make):
    """What ``make`` returns, kept under a key and the simulation's own text."""
    text = Path(floor_lab.__file__).read_bytes() + repr((key, SIDES, QUANTITIES, FORWARD)).encode()
    path = CACHE / (hashlib.sha256(text).hexdigest()[:24] + ".pickle")
    if path.exists():
        return pickle.loads(path.read_bytes())
    made = make()
    CACHE.mkdir(exist_ok=True)
    path.with_suffix(f".{os.getpid()}").write_bytes(pickle.dumps(made))
    path.with_suffix(f".{os.getpid()}").replace(path)
    return made


def simulate(setting: Setting, catalog: dict, history: int, orders: int) -> dict:
    """``floor_lab.simulate`` in a process that holds nothing else: its forks are cheap."""
    asked = pickle.dumps((setting, catalog, history, orders, FORWARD))
    alone = "import floor_lab; floor_lab.answer()"
    done = subprocess.run([sys.executable, "-c", alone], input=asked, stdout=subprocess.PIPE, cwd=Path(__file__).parent, check=True)  # fmt: skip
    return pickle.loads(done.stdout)


# -- quotes ------------------------------------------------------------------------------------------------------------


def stamp(minute: float | None) -> str:
    return "" if minute is None else (EPOCH + timedelta(minutes=minute)).isoformat(timespec="seconds")


def minute_of(text: str) -> float:
    return (datetime.fromisoformat(text) - EPOCH).total_seconds() / 60


def with_dirt(rows: list[Row], seed: int) -> list[Row]:
    """As a lab writes that forgets: some stages never, some rows, some ends of machines."""
    luck, kept = random.Random(f"dirt {seed}"), []
    for row in rows:
        lost, open_ended = luck.random() < ROWS_MISSING, luck.random() < ENDS_MISSING
        if lost or row.stage in NEVER_LOGGED:
            continue
        kept.append(Row(**vars(row) | {"ended": None}) if open_ended and row.stage in ALONE else row)
    return kept


class Writer:
    """The lab's logs up to a minute, as files of what is new since the last."""

    def __init__(self, folder: Path, orders: list[Order], rows: list[Row], begin: float) -> None:
        self.folder, self.orders, self.rows, self.begin = folder, orders, rows, begin
        self.last, self.number = -1.0, 0
        self.folder.mkdir(exist_ok=True)

    def known(self, order: Order) -> float:
        """When the rows of its builds are written: as planned with the order in the past, else when work begins."""
        first = [row.started for row in self.rows if row.order == order.name]
        return order.arrived if order.arrived < self.begin else min(first, default=float("inf"))

    def files(self, now: float) -> list[Path]:
        self.number += 1
        builds = [
            {
                **{key: columns[key] for key in columns if key != "pose"},
                "build_id": name,
                "machine": order.machine,
                "order_id": order.name,
                "planned": "true",
            }
            for order in self.orders
            if order.arrived <= now and self.last < self.known(order) <= now
            for name, columns in zip(order.build_names.split("+"), order.builds, strict=True)
        ]
        stages = [
            {
                "build_id": row.names, "stage": row.stage, "started_at": stamp(row.started),
                "ended_at": stamp(row.ended) if row.ended is not None and row.ended <= now else "",
                "station": row.station, "operator": row.person, "attempt": row.attempt,
                "outcome": "failed" if row.failed and row.ended is not None and row.ended <= now else "",
                "ended_by": "machine" if row.stage in ALONE else "",
            }
            for row in self.rows
            if self.last < row.started <= now or (row.ended is not None and self.last < row.ended <= now)
        ]  # fmt: skip
        self.last = now
        paths = []
        for kind, table in (("builds", builds), ("stages", stages)):
            if table:
                paths.append(self.folder / f"{kind}{self.number:04d}.csv")
                pd.DataFrame(table).to_csv(paths[-1], index=False)
        return paths


def quote_lab(task: tuple) -> list[dict]:
    """One lab, from its history to its last order: a row for each order asked for."""
    from calib.store.open_store import open_store
    from calib.store.quotes import Acceptance, accept_quote
    from calib.workflow.accept import find_option
    from calib.workflow.fit import fit_shop
    from calib.workflow.import_logs import import_logs
    from calib.workflow.init import init_shop
    from calib.workflow.order import QuoteAsk
    from calib.workflow.quote import quote_part

    setting, dirty, history, logged_lab, each = task
    lab, found = logged_lab, []
    rows = with_dirt(lab["rows"], setting.seed) if dirty else lab["rows"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        init_shop(folder, "UTC")
        (folder / "shop.toml").write_text(shop_file(setting, dirty))
        parts = write_parts(folder / "made")
        writer = Writer(folder / "chunks", lab["orders"], rows, lab["begin"])
        monday = lab["begin"]
        for order in lab["asked"]:
            while history and order.arrived >= monday:
                import_logs(folder, writer.files(monday))
                fit_shop(folder)
                monday += WEEK
            if files := writer.files(order.arrived):
                import_logs(folder, files)
            asked = QuoteAsk((order.process,), start=stamp(order.arrived), pose=order.builds[0]["pose"])
            document = quote_part(folder, parts[order.part], order.quantity, asked)
            number = find_option(document, order.machine)
            option = document["options"][number]
            promised = datetime.fromisoformat(option["promised_at"])
            with open_store(folder) as store:
                accept_quote(store, document["quote_id"], Acceptance(number, promised, SURE, None, order.name))
            found.append(order_row(setting, order, option))
            if each:
                with each.open("a") as out:
                    out.write(json.dumps(found[-1]) + "\n")
    return found


def order_row(setting: Setting, order: Order, option: dict) -> dict:
    """What was promised, what came and what the truth would have promised; hours of lead time."""
    chance, hours = np.array(option["lead_quantiles_h"], float).T
    forward = (np.array(order.forward) - order.arrived) / 60
    return {
        "seed": setting.seed, "order": order.name, "process": order.process, "part": order.part,
        "quantity": order.quantity, "builds": len(order.builds), "machine": order.machine, "arrived": stamp(order.arrived),
        "actual_h": (order.finished - order.arrived) / 60, "promised_h": (minute_of(option["promised_at"]) - order.arrived) / 60,
        "stated": option["promise_chance"], "sure_h": (minute_of(option["sure_at"]) - order.arrived) / 60,
        **{f"q{100 * one:g}": float(np.interp(one, chance, hours)) for one in CHANCES},
        "forward_h": forward.tolist(),
    }  # fmt: skip


# -- scores ------------------------------------------------------------------------------------------------------------


def score(low: np.ndarray, high: np.ndarray, actual: np.ndarray) -> np.ndarray:
    """80 % interval score (Gneiting and Raftery 2007), the smaller the better; shapes that broadcast."""
    return (high - low) + 10 * np.maximum(low - actual, 0) + 10 * np.maximum(actual - high, 0)


def figures(rows: pd.DataFrame) -> dict[str, float | int]:
    """Each figure on what came, and (``~``) expected over the truth's forward runs."""
    actual, forward = rows["actual_h"].to_numpy(), np.array(rows["forward_h"].tolist())
    quantile = {one: rows[f"q{100 * one:g}"].to_numpy() for one in CHANCES}
    own_low, own_high = np.quantile(forward, (0.1, 0.9), axis=1)
    low, high = quantile[0.1], quantile[0.9]
    found: dict[str, float | int] = {"orders": len(rows)}
    for name, (below, above) in HELD.items():
        found[f"held {name}"] = 100 * float(np.mean((quantile[below] <= actual) & (actual <= quantile[above])))
        inside = (quantile[below][:, None] <= forward) & (forward <= quantile[above][:, None])
        found[f"~held {name}"] = 100 * float(np.mean(inside))
    kept = rows["promised_h"].to_numpy()
    found["kept"] = 100 * float(np.mean(actual <= kept))
    found["~kept"] = 100 * float(np.mean(forward <= kept[:, None]))
    found["stated"] = 100 * float(rows["stated"].mean())
    found["~by sure"] = 100 * float(np.mean(forward <= rows["sure_h"].to_numpy()[:, None]))
    own = score(own_low[:, None], own_high[:, None], forward).mean()
    found["score"] = float(score(low, high, actual).mean() / score(own_low, own_high, actual).mean())
    found["~score"] = float(score(low[:, None], high[:, None], forward).mean() / own)
    logs = score(np.log(low), np.log(high), np.log(actual)).mean()
    found["log score"] = float(logs / score(np.log(own_low), np.log(own_high), np.log(actual)).mean())
    found["truth held 80"] = 100 * float(np.mean((own_low <= actual) & (actual <= own_high)))
    found["width"] = float(np.mean(high - low) / np.mean(own_high - own_low))
    found["bias h"] = float(np.mean(quantile[0.5] - np.median(forward, axis=1)))
    found["lead h"] = float(actual.mean())
    return found


COLUMNS = ("orders", "held 50", "held 80", "~held 80", "held 90", "kept", "~kept", "stated", "~by sure", "score", "~score", "log score", "width", "bias h", "lead h", "truth held 80")  # fmt: skip


def table(rows: pd.DataFrame) -> str:
    parts = {"all": rows} | dict(iter(rows.groupby("process")))
    lines = [f"{'':4}" + "".join(f"{name:>10}" for name in COLUMNS).replace("truth held 80", "truth 80")]
    for name, part in parts.items():
        found = figures(part)
        lines.append(f"{name:4}" + "".join(f"{found[one]:10.2f}" if "score" in one or one == "width" else f"{found[one]:10.1f}" for one in COLUMNS))  # fmt: skip
    return "\n".join(lines)


def seeds_of(text: str) -> list[int]:
    """'1,3' or '101-104'."""
    found: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def _simulate(task: tuple) -> dict:
    key, *given = task
    return cached(key, lambda: simulate(*given))


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--seeds", default="1-2")
    words.add_argument("--orders", type=int, default=50, help="of each seed")
    words.add_argument("--load", type=float, default=0.5)
    words.add_argument("--dirty", action="store_true")
    words.add_argument("--weeks-of-history", type=int, default=16)
    words.add_argument("--processes", default="MEX,VPP,PBF")
    words.add_argument("--jobs", type=int, default=2, help="labs at once")
    words.add_argument("--each", type=Path, help="file that gets a row for each order")
    words.add_argument("--read", type=Path, help="only make the table of such a file")
    words.add_argument("--quick", action="store_true")
    given = words.parse_args()
    if given.read:
        print(table(pd.read_json(given.read, lines=True)))
        return
    if given.quick:
        given.seeds, given.orders = "1", 20
    seeds, processes = seeds_of(given.seeds), tuple(given.processes.split(","))
    began = process_time()
    catalog = cached("catalog", make_catalog)
    settings = [Setting(seed, given.load) for seed in seeds]
    asked = (
        {key: builds for key, builds in catalog.items() if key[0] in processes},
        given.weeks_of_history,
        given.orders,
    )
    with ThreadPool(given.jobs) as pool:
        tasks = [(repr((one, asked[1:], sorted(asked[0]))), one, *asked) for one in settings]
        labs = pool.map(_simulate, tasks, chunksize=1)
    with get_context("spawn").Pool(given.jobs) as pool:
        tasks = [
            (one, given.dirty, given.weeks_of_history, lab, given.each) for one, lab in zip(settings, labs, strict=True)
        ]
        rows = pd.DataFrame([row for lab in pool.imap(quote_lab, tasks) for row in lab])
    kind = "dirty" if given.dirty else "clean"
    print(f"load {given.load:g}, {kind} logs, {given.weeks_of_history} weeks of history, seeds {given.seeds}")
    print(table(rows))
    busy = {one: round(sum(v for lab in labs for k, v in lab["occupied"][one].items() if k != "idle") / sum(sum(lab["occupied"][one].values()) for lab in labs), 2) for one in labs[0]["occupied"]}  # fmt: skip
    print(f"occupied, share of all hours: {busy}")
    document = {"load": given.load, "dirty": given.dirty, "history": given.weeks_of_history, "seeds": given.seeds}
    print(json.dumps(document | {"occupied": busy, "all": rounded(rows)} | {name: rounded(part) for name, part in rows.groupby("process")}))  # fmt: skip
    print(f"{process_time() - began:.0f} s of CPU here (children apart)", flush=True)


def rounded(rows: pd.DataFrame) -> dict[str, float]:
    return {name: round(value, 3) for name, value in figures(rows).items()}


if __name__ == "__main__":
    main()
