"""A lab whose physics is not ours, through the commands: init, import, fit, predict.

Log files of ``other_lab`` go in as any lab's would, with machines and materials that the shop file lacks; the last weeks' builds are
predicted as a plan, and scored. Before any log: how far the shipped physics is from this lab's (median |log(actual/baseline)|).
After it: coverage of stages and of whole jobs, and the 80 % interval score beside what the truth's own ranges would give.

    python -m bench.bench_other_lab [--labs 3] [--quick]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from other_lab import OtherLab, make_lab
from scipy import stats

from calib.calibration.scores import interval_score
from calib.records import STAGES
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs
from calib.workflow.init import init_shop
from calib.workflow.predict import predict_plan

TEST_WEEKS = 4
ZONE = "Europe/Berlin"
RANGES = {"50": ("p25_min", "p75_min"), "80": ("p10_min", "p90_min"), "90": ("p05_min", "p95_min")}


def run_lab(seed: int, weeks: int) -> pd.DataFrame:
    """One row for each predicted stage of the last weeks, and one for each whole job ('total')."""
    lab = make_lab(seed, weeks)
    week = lab.truth.groupby("build_id")["week"].first()
    last = set(week.index[week >= weeks - TEST_WEEKS])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lab"
        init_shop(folder, ZONE)
        say_what_is_logged(folder / "shop.toml")
        write(lab, last, folder)
        plan = folder / "plan.csv"
        lab.builds[lab.builds["build_id"].isin(last)].assign(planned="true").to_csv(plan, index=False)
        before = pd.DataFrame(predict_plan(folder, plan)["predictions"])
        import_logs(folder, [folder / "logs"])
        fit_shop(folder)
        after = pd.DataFrame(predict_plan(folder, plan)["predictions"])
    return pd.concat([joined(before, lab).assign(when="before"), joined(after, lab).assign(when="after")])


def say_what_is_logged(shop: Path) -> None:
    """This lab logs all that it does: what is absent was not done."""
    stages = ", ".join(f'"{stage}"' for stage in STAGES)
    shop.write_text(
        shop.read_text(encoding="utf-8").replace("# [routes]", f"[routes]\nalways_logged = [{stages}]"),
        encoding="utf-8",
    )


def write(lab: OtherLab, last: set[str], folder: Path) -> None:
    logs = folder / "logs"
    logs.mkdir(exist_ok=True)
    lab.builds[~lab.builds["build_id"].isin(last)].to_csv(logs / "builds.csv", index=False)
    stages = lab.stages[~lab.stages["build_id"].isin(last)]
    stages.to_csv(logs / "stages.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S")


def joined(predictions: pd.DataFrame, lab: OtherLab) -> pd.DataFrame:
    """Predictions beside what came; a job's total is compared over the stages that it really had."""
    stages = predictions.merge(lab.truth, on=["build_id", "stage"])
    had = lab.truth.groupby("build_id")["stage"].agg(set)
    routes = predictions[predictions["stage"] != "total"].groupby("build_id")["stage"].agg(set)
    same = [build for build in routes.index if routes[build] == had[build]]
    whole = lab.truth.groupby("build_id")[["minutes", "median_min"]].sum().reset_index().assign(stage="total")
    totals = predictions[predictions["build_id"].isin(same)].merge(whole, on=["build_id", "stage"])
    return pd.concat([stages, totals], ignore_index=True)


def score_line(rows: pd.DataFrame, name: str) -> str:
    actual = rows["minutes"].to_numpy()
    held = [100 * ((rows[low] <= actual) & (actual <= rows[high])).mean() for low, high in RANGES.values()]
    ours = interval_score(np.log(actual), np.log(rows["p10_min"]), np.log(rows["p90_min"]), 0.8).mean()
    off = np.abs(np.log(actual / rows["baseline_min"])).median()
    return f"{name:34} {len(rows):6d}  {' / '.join(f'{one:5.1f}' for one in held)}   {ours:6.3f}   {off:5.2f}"


def oracle_score(rows: pd.DataFrame) -> float:
    """What the truth's own ranges score: the median and spread of each run known, its build's difficulty not."""
    from other_lab import BUILD_SD, MACHINE_NOISE

    sd = np.where(rows["sd"] == MACHINE_NOISE, np.hypot(MACHINE_NOISE, 0.3 * BUILD_SD), np.hypot(rows["sd"], BUILD_SD))
    reach = stats.norm.ppf(0.9) * sd
    middle = np.log(rows["median_min"])
    return float(interval_score(np.log(rows["minutes"]), middle - reach, middle + reach, 0.8).mean())


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--labs", type=int, default=3)
    words.add_argument("--weeks", type=int, default=30)
    words.add_argument("--quick", action="store_true")
    words.add_argument("--by-stage", action="store_true")
    given = words.parse_args()
    labs = 1 if given.quick else given.labs
    rows = pd.concat([run_lab(seed, given.weeks).assign(lab=seed) for seed in range(labs)], ignore_index=True)
    print(f"{'':34} {'n':>6}   50 / 80 / 90 held       score   median |log(actual/baseline)|")
    print(score_line(rows[(rows["when"] == "before") & (rows["stage"] != "total")], "before any log: stages"))
    print(score_line(rows[(rows["when"] == "after") & (rows["stage"] != "total")], "after fit: stages"))
    print(score_line(rows[(rows["when"] == "after") & (rows["stage"] == "total")], "after fit: whole jobs"))
    after = rows[(rows["when"] == "after") & (rows["stage"] != "total")]
    print(f"truth's own ranges, stages: {oracle_score(after):.3f}")
    if given.by_stage:
        for (process, stage), part in rows[rows["when"] == "after"].groupby(["process", "stage"]):
            print(score_line(part, f"  {process} {stage}"))


if __name__ == "__main__":
    main()
