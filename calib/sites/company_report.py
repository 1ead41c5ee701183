"""What only many sites can tell, for one page: who drifts, who drifts together, best and slowest practice, thin logs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import chdtri

from calib.documents.company import (
    CompanyDocument,
    DriftTogether,
    Practice,
    SiteDrift,
    SiteLeftOut,
    SiteLevel,
    SiteQuotesDocument,
    ThinLogs,
)
from calib.errors import TooFewRunsError
from calib.report.company_page import company_page
from calib.sites.laws import plausible, reml
from calib.sites.task import LEFT_OUT, RESULTS, ROWS
from calib.workflow.company import company_result, read_rows

TOGETHER_DAYS = 14  # two changes that began no further apart began together (an assumption)
LEAST_FOR_PRACTICE = 3  # sites of a stage that are compared
WIDTH = 1.2816  # normal score of an 80 % range
BY_CHANCE = 0.05
SILENT_DAYS = 14  # behind the newest log of all sites
FEW_RUNS = 30  # of a site: below, its own runs say little


def write_company_page(
    company: Path, out: Path, overwrite: bool = False, quotes: SiteQuotesDocument | None = None
) -> CompanyDocument:
    """Write the page of what the last nights left in ``results``, with quotes of a part where asked; returns its document.

    Raises TooFewRunsError where no night has run, UsageError where the page cannot be written.
    """
    result = company_result(out, overwrite)
    result.check()
    document = company_document(company, quotes)
    result.write(company_page(document))
    return {"page": str(out), **document}


def company_document(company: Path, quotes: SiteQuotesDocument | None = None) -> CompanyDocument:
    broken: list[Path] = []
    fits, effects, drift = (_results(company, what, broken) for what in ("fit", "effects", "drift"))
    if fits.empty:
        raise TooFewRunsError(
            f"No site of {company} was learned from yet.", "Run: calib sites fit DIR, then calib sites drift DIR."
        )
    drifting = drift[drift["state"] == "drifting"] if len(drift) else drift
    return {
        "company": company.resolve().name,
        "as_of": str(max(fits["as_of"])),
        "sites": int(fits["site"].nunique()),
        "looked": bool(len(drift)),
        "drifting": list(_drifting(drifting)),
        "together": list(_together(drifting)),
        "by_chance": _by_chance(drifting),
        "practice": list(_practice(effects)) if len(effects) else [],
        "thin": list(_thin(fits)),
        "left_out": _left_out(company, broken),
        "quotes": quotes,
    }


def _results(company: Path, what: str, broken: list[Path]) -> pd.DataFrame:
    """Rows of all sites; files that are not whole go to ``broken``."""
    rows: pd.DataFrame
    rows, not_whole = read_rows(sorted((company / RESULTS / what).glob(f"site=*/{ROWS}")))
    broken.extend(not_whole)
    return rows


def _drifting(rows: pd.DataFrame) -> Iterator[SiteDrift]:
    order = rows.sort_values("change_pct", ascending=False, key=abs) if len(rows) else rows
    for row in order.to_dict("records"):
        yield {
            "site": row["site"], "process": row["process"], "stage": row["stage"], "since": str(row["since"]),
            "change_pct": row["change_pct"], "low": row["change_pct_low"], "high": row["change_pct_high"],
        }  # fmt: skip


def _together(rows: pd.DataFrame) -> Iterator[DriftTogether]:
    """The same stage, the same way, begun within TOGETHER_DAYS of the one before, at two sites or more."""
    if rows.empty:
        return
    rows = rows.assign(day=pd.to_datetime(rows["since"]), way=np.sign(rows["change_pct"])).sort_values(["day", "site"])
    for (process, stage, _), group in rows.groupby(["process", "stage", "way"], sort=True):
        run = (group["day"].diff() > pd.Timedelta(days=TOGETHER_DAYS)).cumsum()
        for _, near in group.groupby(run):
            if near["site"].nunique() > 1:
                yield {
                    "process": str(process), "stage": str(stage), "sites": sorted(set(near["site"])),
                    "first": str(near["day"].min().date()), "last": str(near["day"].max().date()),
                    "change_pct": float(near["change_pct"].median()),
                }  # fmt: skip


def _by_chance(rows: pd.DataFrame) -> float:
    """Pairs of one stage, one way, that would begin together if all dates were drawn evenly over the time that was looked at."""
    if len(rows) < 2:
        return 0.0
    days = pd.to_datetime(rows["since"])
    span = max((days.max() - days.min()).days, TOGETHER_DAYS)
    pairs = sum(
        len(group) * (len(group) - 1) / 2
        for _, group in rows.assign(way=np.sign(rows["change_pct"])).groupby(["process", "stage", "way"])
    )
    return float(pairs * min(2 * TOGETHER_DAYS / span, 1.0))


def _practice(effects: pd.DataFrame) -> Iterator[Practice]:
    """Level of each stage at each site against physics, drawn to the company's by its own uncertainty; parts, sizes, machines,
    people and materials are in the baseline or in effects of their own, so that another mix of parts is no other practice."""
    cells = effects[plausible(effects) & (effects["part"] == "location") & (effects["block"] == "cell")].sort_values(
        ["labels", "site"]
    )
    for label, group in cells.groupby("labels", sort=True):
        if len(group) >= LEAST_FOR_PRACTICE:
            process, stage = str(label).split("\x1f")
            yield _compared(process, stage, group)


def _compared(process: str, stage: str, group: pd.DataFrame) -> Practice:
    y, v = group["mean"].to_numpy(float), group["variance"].to_numpy(float)
    mean, tau2, unsure = reml(y, v)
    weight = tau2 / (tau2 + v) if tau2 > 0 else np.zeros(len(y))
    level, sd = mean + weight * (y - mean), np.sqrt(weight * v + (1 - weight) ** 2 * unsure**2)
    best, slowest = int(np.argmin(level)), int(np.argmax(level))
    rows: list[SiteLevel] = [
        {
            "site": site,
            "pct": _pct(mean_of - mean),
            "low": _pct(mean_of - mean - WIDTH * own),
            "high": _pct(mean_of - mean + WIDTH * own),
        }
        for site, mean_of, own in zip(group["site"], level, sd, strict=True)
    ]
    return {
        "process": process, "stage": stage, "sites": len(group), "best": rows[best], "slowest": rows[slowest],
        "differ": not_by_chance(y, v), "spread_pct": _pct(np.sqrt(tau2)),
    }  # fmt: skip


def not_by_chance(y: np.ndarray, v: np.ndarray) -> bool:
    """Whether estimates differ by more than chance alone would in 19 of 20 cases; shapes (k,), values and variances.

    Cochran 1954, 'The combination of estimates from different experiments', Biometrics 10:101-129: the weighted squares around
    the mean are chi-squared of k - 1 where all are one.
    """
    w = 1 / v
    return bool(w @ (y - w @ y / w.sum()) ** 2 > chdtri(len(y) - 1, BY_CHANCE))


def _pct(log_ratio: float) -> float:
    return round(100 * float(np.expm1(log_ratio)), 1)


def _thin(fits: pd.DataFrame) -> Iterator[ThinLogs]:
    newest = pd.Timestamp(max(fits["as_of"]))
    for site, rows in fits.groupby("site", sort=True):
        runs, behind = int(rows["runs"].sum()), (newest - pd.Timestamp(max(rows["as_of"]))).days
        if runs < FEW_RUNS or behind > SILENT_DAYS:
            yield {"site": str(site), "runs": runs, "last": str(max(rows["as_of"])), "days_behind": int(behind)}


def _left_out(company: Path, broken: list[Path]) -> list[SiteLeftOut]:
    """Sites that the last nights left out, and those with a result that is not whole."""
    nights, _ = read_rows(
        path for what in ("fit", "drift") if (path := company / RESULTS / f"night-{what}" / ROWS).exists()
    )
    says = {}
    if len(nights):
        left = nights[nights["state"] == LEFT_OUT].drop_duplicates("site")
        says = dict(zip(left["site"], left["says"], strict=True))
    for path in broken:
        site = path.parent.name.removeprefix("site=")
        says.setdefault(
            site,
            f"{path.relative_to(company)} is not whole: calib sites {'drift' if 'drift' in path.parts else 'fit'} makes it anew.",
        )
    return [{"site": site, "says": says[site]} for site in sorted(says)]
