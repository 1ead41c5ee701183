"""The company's page: who drifts together, best and slowest practice, thin logs; and how it looks."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lxml import html

from calib.cli.app import run
from calib.report.company_page import company_page
from calib.sites.company_report import company_document, not_by_chance
from calib.sites.task import RESULTS, ROWS
from calib.workflow.company import write_rows

sys.path.append(str(Path(__file__).parents[1] / "report"))
from browser import CHROMIUM, WIDTHS, axe_script, measured

LATE = "2026-06-01"


def result(company, what, site, rows):
    write_rows(company / RESULTS / what / f"site={site}" / ROWS, pd.DataFrame(rows).assign(site=site))


def fill(company, sites=8, slow="S7"):
    """Sites of one company: S1 to S3 slow down together, S4 long before; one is slower at unloading; S5 has few runs."""
    rng = np.random.default_rng(2)
    since = {"S1": "2026-03-02", "S2": "2026-03-09", "S3": "2026-03-05", "S4": "2025-12-01"}
    for number in range(sites):
        site = f"S{number}"
        as_of = "2026-04-01" if site == "S6" else LATE
        result(
            company,
            "fit",
            site,
            {"process": "MEX", "stage": ["printing", "unloading"], "runs": 5 if site == "S5" else 200, "as_of": as_of},
        )
        level = [0.0 + rng.normal(0, 0.01), (0.5 if site == slow else 0.0) + rng.normal(0, 0.05)]
        result(company, "effects", site, {"part": "location", "block": "cell", "labels": ["MEX\x1fprinting", "MEX\x1funloading"],
                                          "mean": level, "variance": 0.0025, "runs": 100})  # fmt: skip
        change = 12.0 if site in since else np.nan
        result(company, "drift", site, {"process": "MEX", "stage": ["printing"], "runs": 90, "state": "drifting" if site in since else "steady",
                                        "since": since.get(site), "change_pct": change, "change_pct_low": change - 5, "change_pct_high": change + 5,
                                        "minutes_per_build": 3.0, "as_of": as_of})  # fmt: skip
    return company


def test_sites_that_began_together_are_named_with_their_days(tmp_path):
    document = company_document(fill(tmp_path))
    (row,) = document["together"]
    assert (row["sites"], row["first"], row["last"], row["change_pct"]) == (
        ["S1", "S2", "S3"],
        "2026-03-02",
        "2026-03-09",
        12.0,
    )
    assert {row["site"] for row in document["drifting"]} == {"S1", "S2", "S3", "S4"}
    assert 0 < document["by_chance"] < 6


def test_the_slowest_site_is_told_apart_only_where_it_is(tmp_path):
    practice = {row["stage"]: row for row in company_document(fill(tmp_path))["practice"]}
    assert practice["unloading"]["slowest"]["site"] == "S7"
    assert practice["unloading"]["differ"]
    assert 40 < practice["unloading"]["slowest"]["pct"] < 65
    assert not practice["printing"]["differ"]


def test_thin_logs_are_named(tmp_path):
    thin = {row["site"]: row for row in company_document(fill(tmp_path))["thin"]}
    assert thin.keys() == {"S5", "S6"}
    assert (thin["S5"]["runs"], thin["S6"]["days_behind"]) == (10, 61)


def test_sites_that_are_alike_are_rarely_told_apart():
    # Ten sites alike, 400 times: 5 of 100 by chance, within the binomial's 99.9 % of it.
    rng = np.random.default_rng(3)
    answer = sum(not_by_chance(rng.normal(0, 0.05, 10), np.full(10, 0.0025)) for _ in range(400))
    assert 7 <= answer <= 36


def test_the_page_holds_it_and_escapes_names(tmp_path):
    document = company_document(fill(tmp_path)) | {"company": "<b>River & Sons</b>"}
    page = html.fromstring(company_page(document))
    text = " ".join(page.text_content().split())
    assert "S1, S2, S3" in text
    assert "<b>River & Sons</b>" in text
    assert not page.xpath("//b | //script")


def test_practice_is_shown_only_where_sites_differ_and_the_others_are_one_line(tmp_path):
    page = html.fromstring(company_page(company_document(fill(tmp_path))))
    section = page.xpath("//section[@aria-labelledby='practice']")[0]
    assert [" ".join(row.text_content().split()) for row in section.xpath(".//tbody//th")] == ["MEX unloading"]
    assert "cannot be told apart by their logs in MEX printing." in " ".join(section.text_content().split())


def test_the_command_writes_it_and_says_what_is_missing(tmp_path, capsys):
    page = tmp_path / "company.html"
    assert run(["sites", "report", str(tmp_path / "none"), "--out", str(page)]) == 2
    assert "was learned from yet" in capsys.readouterr().err
    assert not page.exists()
    assert run(["sites", "report", str(fill(tmp_path)), "--out", str(page)]) == 0
    assert "MEX printing since 2026-03-02: S1, S2, S3" in capsys.readouterr().out
    assert run(["sites", "report", str(tmp_path), "--out", str(page)]) == 0


def quote_of(site, arrives, days):
    ready = {"p10": "2026-06-04T10:00", "p50": "2026-06-04T15:00", "p90": "2026-06-05T11:00"}
    return {"site": site, "arrives": arrives, "promised_at": "2026-06-05T12:00+01:00", "promise_chance": 0.9, "carriage_days": days,
            "ready_at": ready, "process": "MEX", "machine": "extruder-by-the-window", "material": "pla", "as_of": LATE,
            "cost": {"p50": 120.4, "currency": "EUR"}, "warnings": ["a material is not in its shop file"]}  # fmt: skip


QUOTES = {"company": "all", "part": "gauge.stl", "quantity": 4, "seconds": 1.0,
          "sites": [quote_of("harbour-works-north", "2026-06-05", 0), quote_of("S1", "2026-06-09", 2)],
          "out": [{"site": "S3", "reason": "nothing was learned from it yet: calib sites fit"}]}  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no headless browser here")
def test_it_fits_three_widths_and_can_be_read(tmp_path):
    page = company_page(company_document(fill(tmp_path), QUOTES))
    found, log = measured(tmp_path, {f"w{width}": page for width in WIDTHS}, dark=False)
    for width in WIDTHS:
        seen = found[f"w{width}"]
        assert seen["overflow"] <= 0, (width, seen)
        assert seen["contrast"] >= 4.5, seen
        assert seen["requests"] == 0
        assert seen["over"] == []
    assert "Refused" not in log
    assert measured(tmp_path, {"w794": page}, dark=False, script=axe_script())[0] == {"w794": []}
