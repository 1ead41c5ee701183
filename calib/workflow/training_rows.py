"""Logged runs beside their baselines -> rows to learn from: one for each build and stage, done once."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from calib.records import TERM_COLUMNS, hands_of, scope_of

NOT_WORK = ("void", "skipped")
LONGEST_RUN_MIN = 14 * 24 * 60.0  # no run is still going after two weeks: its end was not logged; common practice


CARRIED_ALONG = ("process", "machine", "material", "parts", "finish")


@dataclass(frozen=True)
class TrainingRows:
    """rows : what the calibration is fitted on
    left_out : reason -> number of runs
    below_floor : runs that undercut a least time; never learned from, shown to a person at once
    """

    rows: pd.DataFrame
    left_out: Counter[str] = field(default_factory=Counter)
    below_floor: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def with_below_floor(self) -> pd.DataFrame:
        return pd.concat([self.rows, self.below_floor], ignore_index=True) if len(self.below_floor) else self.rows


def training_rows(
    builds: pd.DataFrame, runs: pd.DataFrame, baselines: pd.DataFrame, as_of: pd.Timestamp
) -> TrainingRows:
    """Runs up to ``as_of`` as actual minutes beside baseline minutes.

    Several runs of one build and stage are one row: their minutes are added, a shared load's by parts. Stopped, failed
    and running stages are censored: at least this long. Work done again is left out: a range is for doing it once.
    """
    left_out: Counter[str] = Counter()
    runs = _known_by(builds, runs, as_of, left_out)
    shares = runs_by_build(builds, runs)
    left_out["its build is not known"] += len(runs) - shares["run_key"].nunique()
    stages = _first_done(_summed(shares), left_out)
    rows = _beside_baseline(stages, baselines, left_out)
    below = rows["whole_min"] < rows["floor_min"].fillna(0) - 1e-9
    below &= ~rows["censored"]
    left_out["below a least time"] += int(below.sum())
    kept = rows[~below].sort_values(["ended_at", "run_key"], kind="stable").reset_index(drop=True)
    return TrainingRows(kept, Counter({k: n for k, n in left_out.items() if n}), rows[below])


def runs_by_build(builds: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """One row for each run and build it served, with its share of the minutes by parts.

    A run that names orders only serves all builds of them.
    """
    parts = builds.set_index("build_id")["parts"].astype(float)
    runs = runs.assign(build_id=pd.Series(builds_served(builds, runs), index=runs.index, dtype=object)).explode(
        "build_id"
    )
    runs = runs[runs["build_id"].isin(parts.index)].copy()
    weight = runs["build_id"].map(parts).astype(float).fillna(1.0)
    share = weight / weight.groupby(runs["run_key"]).transform("sum")
    runs["whole_min"] = runs["work_min"]  # a floor is for the load, whoever shares it
    for column in ("work_min", "low_min", "touch_min"):
        runs[column] = runs[column].astype(float) * share
    return runs.reset_index(drop=True)


def went_together(builds: pd.DataFrame, runs: pd.DataFrame) -> dict[str, str]:
    """Builds that shared their last run that is done for a whole order -> the run."""
    whole = runs["stage"].map(scope_of) == "order"
    shares = runs_by_build(builds, runs[whole]).sort_values("started_at")
    last = shares.drop_duplicates("build_id", keep="last")
    shared = last[last.duplicated("run_key", keep=False)]
    return dict(zip(shared["build_id"], shared["run_key"].astype(str), strict=True))


def builds_served(builds: pd.DataFrame, runs: pd.DataFrame) -> list[list[str]]:
    """Builds of each run, those of its orders where it names no build; builds, runs : with order_id."""
    orders = builds.loc[builds["order_id"].notna(), ["order_id", "build_id"]]
    orders = orders.assign(order_id=orders["order_id"].str.split("+")).explode("order_id")
    of_order = orders.groupby("order_id")["build_id"].agg(list).to_dict()
    return [
        list(named) or list(dict.fromkeys(build for one in order.split("+") for build in of_order.get(one, [one])))
        for named, order in zip(runs["build_ids"], runs["order_id"], strict=True)
    ]


def _known_by(builds: pd.DataFrame, runs: pd.DataFrame, as_of: pd.Timestamp, left_out: Counter[str]) -> pd.DataFrame:
    """What a person could have known at ``as_of``; a run that was still going had lasted until then."""
    not_work = runs["outcome"].isin(NOT_WORK)
    left_out["void or skipped"] += int(not_work.sum())
    runs = runs[~not_work]
    later = runs["started_at"].fillna(runs["ended_at"]) > as_of
    left_out["after the day asked for"] += int(later.sum())
    runs = runs[~later].copy()
    lost = _order_went_on(builds, runs)
    runs.loc[lost, "ended_at"] = runs.loc[lost, "started_at"]
    running = (runs["ended_at"].isna() & runs["work_min"].isna()) | (runs["ended_at"] > as_of)
    lasted = (as_of - runs["started_at"]).dt.total_seconds() / 60
    runs.loc[running, "work_min"] = lasted[running].where(lasted[running] <= LONGEST_RUN_MIN)
    runs.loc[running, "low_min"] = np.nan
    runs.loc[running, "ended_at"] = as_of
    runs["censored"] = runs["censored"].fillna(False).astype(bool) | running
    useless = ~(runs["work_min"] > 0) | runs["ended_at"].isna()
    left_out["no end and no minutes"] += int(useless.sum())
    return runs[~useless]


def _order_went_on(builds: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """Open runs whose order went on since: their end was not logged.

    A row that names only an order is the work of all its builds, so it is later than any of theirs; two builds of an
    order say nothing of each other.
    """
    of_build = builds.set_index("build_id")["order_id"]
    order = runs["order_id"].fillna(runs["build_ids"].str[0].map(of_build)).fillna(runs["build_ids"].str[0])
    whole = runs["build_ids"].str.len() == 0
    after_any = runs.groupby(order)["started_at"].max().reindex(order).set_axis(order.index)
    after_whole = runs[whole].groupby(order[whole])["started_at"].max().reindex(order).set_axis(order.index)
    is_open = runs["ended_at"].isna() & runs["work_min"].isna()
    return is_open & (after_any.where(whole, after_whole) > runs["started_at"])


def _summed(shares: pd.DataFrame) -> pd.DataFrame:
    """Runs of one build, stage and attempt added up; who and where are the longest run's."""
    shares = shares.assign(
        low=shares["low_min"].fillna(shares["work_min"]),
        is_done=(shares["outcome"].fillna("done") == "done") & ~shares["censored"],
        attempt=shares["attempt"].fillna(1),
    ).sort_values("work_min", ascending=False, kind="stable")
    summed = shares.groupby(["build_id", "stage", "attempt"], sort=True).agg(
        run_key=("run_key", "first"),
        actual_min=("work_min", "sum"),
        low_min=("low", "sum"),
        whole_min=("whole_min", "sum"),
        started_at=("started_at", "min"),
        ended_at=("ended_at", "max"),
        station=("station", "first"),
        operator=("operator", "first"),
        is_done=("is_done", "any"),
    )
    return summed.reset_index()


def _first_done(summed: pd.DataFrame, left_out: Counter[str]) -> pd.DataFrame:
    order = summed.sort_values(["build_id", "stage", "is_done", "attempt"], ascending=[True, True, False, True])
    first = order.drop_duplicates(["build_id", "stage"])
    left_out["another attempt at the same work"] += len(summed) - len(first)
    return first.assign(
        censored=~first["is_done"], low_min=first["low_min"].where(first["low_min"] < first["actual_min"])
    )


def _beside_baseline(stages: pd.DataFrame, baselines: pd.DataFrame, left_out: Counter[str]) -> pd.DataFrame:
    """Adds the baseline; a row over several stages gets the sum of theirs, and each one's share of it."""
    covered = stages.assign(part=stages["stage"].str.split("+")).explode("part")
    covered = covered[["build_id", "stage", "part"]].merge(
        baselines.rename(columns={"stage": "part"}), on=["build_id", "part"], how="inner"
    )
    covered = covered[covered["baseline_min"] > 0]
    keys = ["build_id", "stage"]
    variance = (covered["baseline_min"] * covered["prior_sd"]) ** 2
    sums = (
        covered.assign(variance=variance)
        .groupby(keys, sort=False)
        .agg(
            baseline_min=("baseline_min", "sum"),
            floor_min=("floor_min", "sum"),
            touch_min=("touch_min", "sum"),
            variance=("variance", "sum"),
            basis=("basis", "first"),
            **{name: (name, "first") for name in (*CARRIED_ALONG, *TERM_COLUMNS)},
        )
    )
    sums["prior_sd"] = np.sqrt(sums.pop("variance")) / sums["baseline_min"]
    sums = sums.join(_shares(covered, keys))
    rows = stages.merge(sums.reset_index(), on=keys, how="inner")
    left_out["no baseline for this stage"] += len(stages) - len(rows)
    station = rows["station"].where(rows["station"] != rows["machine"])  # the machine's effect is one, not two halves
    return rows.assign(attended=[is_attended(stage) for stage in rows["stage"]], station=station)


def _shares(covered: pd.DataFrame, keys: list[str]) -> pd.Series:
    """For rows over several stages: stage -> its share of the baseline."""
    several = covered[covered["stage"].str.contains("+", regex=False)]
    shares = {
        key: dict(zip(group["part"], group["baseline_min"] / group["baseline_min"].sum(), strict=True))
        for key, group in several.groupby(keys, sort=False)
    }
    index = pd.MultiIndex.from_tuples(shares, names=keys) if shares else pd.MultiIndex.from_arrays([[], []], names=keys)
    return pd.Series(list(shares.values()), index=index, name="shares", dtype=object)


def is_attended(stage: str) -> bool:
    """Whether a person works throughout; a row of several stages is, if any of them is."""
    return any(hands_of(name) in ("all", "part") for name in stage.split("+"))
