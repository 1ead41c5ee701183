"""What a change of the shop gains: ``floor_lab`` run twice with the same luck, beside what calib says from the first run's logs.

The lab runs some weeks as it is, and again with a second powder bed, one more person, or somebody who comes when the others
go; the orders of the last weeks are the same. calib imports the logs of the first run, fits, and is asked what the change
would do to those weeks. Also: how much of its hours each machine is held, running, and waiting for a person, in truth and
by ``capacity``.

    python bench/bench_what_if_floor.py [--quick] [--seeds 101-103] [--load 0.75] [--weeks 8]
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import mean

from bench_promised_day import EPOCH, Writer, cached, make_catalog, seeds_of, shop_file, write_parts
from floor_lab import MACHINES, WEEK, FloorLab, Setting

HISTORY = 16
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


def lead_h(lab: FloorLab, begin: float, process: str) -> float:
    """Mean lead time of a process's orders that came from ``begin`` on."""
    return mean((one.finished - one.arrived) / 60 for one in lab.orders if one.process == process and one.arrived >= begin and one.finished)  # fmt: skip


def measure(seed: int, load: float, weeks: int) -> list[dict]:
    from calib.errors import CalibError
    from calib.workflow.capacity import find_capacity
    from calib.workflow.fit import fit_shop
    from calib.workflow.import_logs import import_logs
    from calib.workflow.init import init_shop
    from calib.workflow.what_if import what_if_weeks

    catalog = cached("catalog", make_catalog)
    setting, end, rows = Setting(seed, load), HISTORY * WEEK, []
    begin = end - weeks * WEEK
    lab = FloorLab(setting, catalog).run(end)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        init_shop(folder, "UTC")
        (folder / "shop.toml").write_text(shop_file(setting, False))
        write_parts(folder / "made")
        import_logs(folder, Writer(folder / "chunks", lab.orders, lab.rows, end).files(end))
        fit_shop(folder)
        found = find_capacity(folder, weeks=weeks)
        for change, (changed, _) in CHANGES.items():
            other = FloorLab(changed(setting), catalog).run(end)
            try:
                said = what_if_weeks(folder, patch_of(change, setting), weeks=weeks)
            except CalibError as error:
                print(f"{change}: {error}")
                continue
            for one in said["by_process"]:
                before, after = lead_h(lab, begin, one["process"]), lead_h(other, begin, one["process"])
                turnaround = one["turnaround_h"]
                rows.append({
                    "seed": seed, "change": change, "process": one["process"], "true_before": before, "true_after": after,
                    "before": turnaround["today"]["p50"], "after": turnaround["changed"]["p50"],
                })  # fmt: skip
        print(
            json.dumps({"seed": seed, "bottleneck": found["bottleneck"], "resources": found["resources"]}, default=str)
        )
    for machine, spent in lab.occupied.items():
        hours = sum(spent.values())
        print(machine, {what: round(value / hours, 2) for what, value in spent.items()})
    return rows


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--seeds", default="1")
    words.add_argument("--load", type=float, default=0.75)
    words.add_argument("--weeks", type=int, default=8)
    words.add_argument("--quick", action="store_true")
    given = words.parse_args()
    print(f"the first week begins on {EPOCH:%Y-%m-%d}; mean lead time of an order [h], true and said")
    rows = [row for seed in seeds_of(given.seeds) for row in measure(seed, given.load, given.weeks)]
    print(f"{'change':16}{'process':>8}{'true':>9}{'becomes':>9}{'gains':>8}{'said':>9}{'becomes':>9}{'gains':>8}")
    for change, process in dict.fromkeys((row["change"], row["process"]) for row in rows):
        own = [row for row in rows if (row["change"], row["process"]) == (change, process)]
        true, then, said, after = (mean(row[name] for row in own) for name in ("true_before", "true_after", "before", "after"))  # fmt: skip
        print(f"{change:16}{process:>8}{true:9.1f}{then:9.1f}{true - then:8.1f}{said:9.1f}{after:9.1f}{said - after:8.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
