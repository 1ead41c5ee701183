"""What a change of the shop gains: ``floor_lab`` run twice with the same luck, beside what calib says from the first run's logs.

The lab runs some weeks as it is, and again with a second powder bed, one more person, or somebody who comes when the others
go. calib imports the logs of the first run, fits, and is asked what the change would do to its last weeks. The truth is the
mean over several lucks of the same orders in the same lab (one luck alone is off by a tenth and more), of those orders that
calib counts, an order of several builds as often.

With ``--one-more``: what one more of every machine, station and person gains in truth, the bottleneck of ``capacity`` beside it.

    python bench/bench_what_if_floor.py [--quick] [--seeds 101-103] [--load 0.75] [--weeks 8] [--lucks 6] [--people 2] [--one-more]
"""

from __future__ import annotations

import argparse
import random
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import mean, stdev

import simpy
from bench_promised_day import EPOCH, Writer, cached, make_catalog, seeds_of, shop_file, write_parts
from floor_lab import MACHINES, STATIONS, WEEK, FloorLab, Setting

HISTORY, PACKED = 16, 3  # weeks; the last orders are waited for
PBF_TWICE = tuple((MACHINES | {"PBF": ("P1", "P2")}).items())
CHANGES: dict[str, tuple[Callable[[Setting], Setting], str]] = {
    "a second bed": (lambda one: replace(one, machines=PBF_TWICE), "second bed"),
    "a third person": (lambda one: replace(one, day_people=3), '[[crew]]\nid = "lab"\nsize = 3\n'),
    "one at night": (
        lambda one: replace(one, late_people=1),
        '[[crew]]\nid = "late"\nsize = 1\n[crew.hours]\n'
        + "".join(f'{day} = "{begin}-24:00"\n' for day, begin in zip(("mon", "tue", "wed", "thu", "fri"), ("17:00",) * 4 + ("16:00",), strict=True)),
    ),
}  # fmt: skip


def patch_of(name: str, setting: Setting) -> str:
    """The change in the shop file's words; a second bed is the first one's lines under another name."""
    text = CHANGES[name][1]
    if text != "second bed":
        return text
    blocks = shop_file(setting, False).partition("# --- materials")[0].split("\n[[machine]]\n")
    return "[[machine]]\n" + next(one for one in blocks if 'id = "P1"' in one).replace('"P1"', '"P2"')


class OtherLuck(FloorLab):
    """The same orders in the same lab with luck of a number; number 0 is the lab whose logs are read.

    twice : a station that has a second place
    """

    def __init__(self, setting: Setting, catalog: dict, number: int, twice: str = "") -> None:
        self.number = number
        super().__init__(setting, catalog)
        if twice:
            self.stations[twice] = simpy.Resource(self.env, 2)

    def _luck(self, *key: object) -> random.Random:
        same = not self.number or key[0] in ("effects", "arrival")
        return super()._luck(*key, *(() if same else ("luck", self.number)))


def lead_h(lab: FloorLab, names: set[str], process: str = "") -> float:
    """Mean lead time of these orders, of a process or of all, by builds."""
    each = [((one.finished - one.arrived) / 60, len(one.builds)) for one in lab.orders
            if one.name in names and one.finished and one.process in (process or one.process)]  # fmt: skip
    return sum(hours * builds for hours, builds in each) / max(sum(builds for _, builds in each), 1)


def run_labs(setting: Setting, catalog: dict, lucks: int, twice: str = "") -> list[FloorLab]:
    """Labs of several lucks, run until the last order of the history is packed."""
    return [OtherLuck(setting, catalog, number, twice).run((HISTORY + PACKED) * WEEK) for number in range(lucks)]


def write_lab(folder: Path, setting: Setting, catalog: dict) -> None:
    """A shop that has read the lab's logs and learned from them."""
    from calib.workflow.fit import fit_shop
    from calib.workflow.import_logs import import_logs
    from calib.workflow.init import init_shop

    lab, end = FloorLab(setting, catalog).run(HISTORY * WEEK), HISTORY * WEEK
    init_shop(folder, "UTC")
    (folder / "shop.toml").write_text(shop_file(setting, False))
    write_parts(folder / "made")
    import_logs(folder, Writer(folder / "chunks", lab.orders, lab.rows, end).files(end))
    fit_shop(folder)


def orders_of_the_weeks(folder: Path, weeks: int) -> set[str]:
    from calib.shop.read_shop import read_shop
    from calib.workflow.demand import logged_demand

    return set(logged_demand(folder, read_shop(folder), weeks).of_the_weeks["order_id"])


def what_ifs(folder: Path, setting: Setting, catalog: dict, weeks: int, lucks: int) -> list[dict]:
    from calib.errors import CalibError
    from calib.workflow.what_if import what_if_weeks

    names, before, rows = orders_of_the_weeks(folder, weeks), run_labs(setting, catalog, lucks), []
    for change, (changed, _) in CHANGES.items():
        after = run_labs(changed(setting), catalog, lucks)
        try:
            said = what_if_weeks(folder, patch_of(change, setting), weeks=weeks)
        except CalibError as error:
            print(f"{change}: {error}")
            continue
        for one in said["by_process"]:
            process, turnaround = one["process"], one["turnaround_h"]
            true = [mean(lead_h(lab, names, process) for lab in labs) for labs in (before, after)]
            rows.append({
                "seed": setting.seed, "change": change, "process": process, "true_before": true[0], "true_after": true[1],
                "before": turnaround["today"]["p50"], "after": turnaround["changed"]["p50"],
            })  # fmt: skip
    return rows


def one_more(folder: Path, setting: Setting, catalog: dict, weeks: int, lucks: int) -> None:
    """A line for a lab: what one more of each gains in truth, the best first, and what ``capacity`` says."""
    from calib.workflow.capacity import find_capacity

    machines, names = dict(setting.machines), orders_of_the_weeks(folder, weeks)
    more = {f"{process} machine": (replace(setting, machines=tuple((machines | {process: (*own, f"{own[0]}+")}).items())), "")
            for process, own in machines.items()}  # fmt: skip
    more |= {station: (setting, station) for station in dict.fromkeys(STATIONS.values())}
    more["person"] = (replace(setting, day_people=setting.day_people + 1), "")
    today = [lead_h(lab, names) for lab in run_labs(setting, catalog, lucks)]
    gains = {}
    for what, (changed, twice) in more.items():
        each = [a - lead_h(lab, names) for a, lab in zip(today, run_labs(changed, catalog, lucks, twice), strict=True)]
        gains[what] = f"{mean(each):.1f} ± {stdev(each) / len(each) ** 0.5:.1f}"
    said = find_capacity(folder, weeks=weeks)
    print(
        f"seed {setting.seed}, load {setting.load:g}, people {setting.day_people}: lead {mean(today):.1f} h, said {said['lead_time_h']}"
    )
    print("  one more gains", dict(sorted(gains.items(), key=lambda item: -float(item[1].split()[0]))))
    print(
        "  sooner without waiting, said",
        {one["resource"]: one["sooner_h"] for one in said["resources"] if one["sooner_h"]},
    )


def measure(setting: Setting, given: argparse.Namespace) -> list[dict]:
    catalog = cached("catalog", make_catalog)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        write_lab(folder, setting, catalog)
        if given.one_more:
            one_more(folder, setting, catalog, given.weeks, given.lucks)
            return []
        return what_ifs(folder, setting, catalog, given.weeks, given.lucks)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--seeds", default="1")
    words.add_argument("--load", type=float, default=0.75)
    words.add_argument("--weeks", type=int, default=8)
    words.add_argument("--lucks", type=int, default=6)
    words.add_argument("--people", type=int, default=2)
    words.add_argument("--one-more", action="store_true")
    words.add_argument("--quick", action="store_true")
    given = words.parse_args()
    if given.quick:
        given.seeds, given.lucks = "1", 2
    print(f"the first week begins on {EPOCH:%Y-%m-%d}; mean lead time of an order [h], true and said")
    rows = [
        row
        for seed in seeds_of(given.seeds)
        for row in measure(Setting(seed, given.load, day_people=given.people), given)
    ]
    if not rows:
        return
    print(f"{'change':16}{'process':>8}{'true':>9}{'becomes':>9}{'gains':>8}{'said':>9}{'becomes':>9}{'gains':>8}")
    for change, process in dict.fromkeys((row["change"], row["process"]) for row in rows):
        own = [row for row in rows if (row["change"], row["process"]) == (change, process)]
        true, then, before, after = (mean(row[name] for row in own) for name in ("true_before", "true_after", "before", "after"))  # fmt: skip
        print(f"{change:16}{process:>8}{true:9.1f}{then:9.1f}{true - then:8.1f}{before:9.1f}{after:9.1f}{before - after:8.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
