"""The weekly page as text: what it says, in which order, and that a screen reader finds its way."""

import pickle
import re
from html.parser import HTMLParser

import pytest
from week_documents import SINCE, chart, drift_of, full_week, huge_week, moved_stage, stage

from calib.report.charts import level_line
from calib.report.sentences import three_sentences
from calib.report.stage_sentences import look_first
from calib.report.week import week_page, week_values


def words(page):
    """The page with plain spaces."""
    return page.replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def full():
    return words(week_page(full_week()))


@pytest.mark.parametrize(
    "words_shown",
    [
        "No new change this week. VPP post curing is still slower: 8 min more a build (+24 %). Since about 4 May 2026 "
        "(2 May 2026 to 6 May 2026); station bath &lt;1&gt;. 4 other stages are steady. The times of VPP washing spread wider "
        "than before.",
        "5 h 30 min more a month at today&#39;s number of builds",
        "Quotes use 41 min for a usual build now (33 min before).",
        "Cause: <strong>station bath &lt;1&gt;</strong>.",
        "Logged near the date: 6 May 2026, bath &lt;1&gt;, new lamp.",
        "Look at station bath &lt;1&gt;: its runs moved, the others did not.",
        "VPP draining: The mix of parts changed about 3 May 2026, not the stage",
        "More erratic since about 4 May 2026, spread of its times +80 % (9 of 10 times between +30 % and +140 %). Its usual time is what it was",
        "erratic since about 4 May 2026, 60 runs",
        "VPP: 1 moved, 1 erratic, 1 steady, 1 with too few runs to tell",
        "calib drift --accept VPP:washing --note WHY",
        "Ranges were right: of 10 runs 8 should end inside; 7.9 did (400 runs, 9 weeks).",
        "1 of 2 stages is right, 1 too narrow. 1 stage has fewer than 10 runs.",
        "Promises: 2 open, 1 less sure than promised.",
        "kept 41 of 100 times now, 93 of 100 when promised: 2 builds go before it on V1 (B7, B8)",
        "Wed 10 Jun midday",
        "Of 12 quotes whose parts were packed, 11 kept the promise, and 10 of 12 ended inside the range",
        "Builds wait most for machine V1: without that wait one is ready about 5 h 30 min sooner (40 h now). It is in use 80 %",
        "Of 10 builds printed in these weeks 1 failed.",
        "Too few runs to tell: a stage with a very long name indeed (3 runs).",
        "rare bench work together",
        "steady against the plan accepted since 1 Apr 2026",
        "V2 has logged nothing since 1 Jun 2026: idle, or are its logs missing?",
        "Correct 2 log rows that could not be read",
        "Answer 4 questions about runs that look wrong",
        "washing of B7 took 18 h: forgotten timer?",
        "Gauge &amp; Float",
    ],
)
def test_the_page_says(full, words_shown):
    assert words_shown in full


def test_text_from_logs_is_escaped(full):
    assert "bath <1>" not in full


def test_the_most_urgent_thing_is_the_third_sentence():
    below = "Look at once: build B9, post curing, lasted 4 min, below the data sheet's least time of 20 min."
    assert three_sentences(full_week())[2] == below


def test_nothing_is_fetched_and_no_word_needs_a_script(full):
    assert full.count("<script>") == full.count("<script") == 1
    body = full[: full.index("<script>")]
    assert "V2 has logged nothing" in body
    assert "<footer>" in body
    addresses = set(re.findall(r"""(?:src|href)="([^"#]*)""", full)) | set(re.findall(r"url\(([^)#]+)\)", full))
    assert addresses <= {"data:,", ""}


class Read(HTMLParser):
    """What a screen reader goes by."""

    def __init__(self, page):
        super().__init__()
        self.headings, self.ids, self.pointed, self.pictures, self.heads = [], [], [], [], []
        self.tables = len(re.findall("<table(?! (aria-label|[^>]* aria-label))", page))
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        own = dict(attrs)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "svg":
            self.pictures.append(own)
        if tag == "th":
            self.heads.append(own)
        self.ids += [own["id"]] if "id" in own else []
        self.pointed += [own["aria-labelledby"]] if "aria-labelledby" in own else []


def test_a_screen_reader_finds_its_way(full):
    read = Read(full)
    assert read.headings[0] == 1
    assert all(later - earlier <= 1 for earlier, later in zip(read.headings, read.headings[1:], strict=False))
    assert len(read.ids) == len(set(read.ids))
    assert set(read.pointed) <= set(read.ids)
    assert read.pictures
    assert all(one.get("role") == "img" and len(one["aria-label"]) > 10 for one in read.pictures)
    assert all(one.get("scope") in ("row", "col") for one in read.heads)
    assert (
        full.count("<caption>") + full.count("<summary>The last") == read.tables
    )  # a summary names the table it folds


def test_a_pictures_words_say_what_is_seen(full):
    assert (
        'aria-label="VPP post curing: 60 runs from 2 Mar 2026 to 28 Jun 2026, in per cent from the level before.'
        in full
    )
    assert "since 4 May 2026 it is at +24 % (+8 min a build)." in full


@pytest.mark.parametrize("creeps", [True, False])
def test_a_change_has_one_size_in_headline_picture_words_and_text(creeps):
    moved = moved_stage(
        "washing", creeps=creeps, shape="creep" if creeps else "step", change_pct=79.4, where="the whole stage"
    )
    page = words(week_page({"as_of": "2026-06-29", "drift": drift_of(moved)}))
    assert page.count("8 min more a build (+79 %)") == 1  # the week's first sentence
    assert "+8 min a build: +79 %, 9 of 10 times between" in page
    assert f"it {'came slowly to' if creeps else 'is at'} +79 % (+8 min a build)." in page
    assert page.count(">+79 %</text>") == 2  # at the end of the line, for a wide page and a phone
    assert level_line(moved) == (0.0 if creeps else 79.4, 79.4)


def test_every_drawn_run_can_be_read_without_pointing(full):
    table = full[full.index("The last 60 runs of VPP post curing") :]
    table = table[: table.index("</table>")]
    assert [f"B{i}" for i in reversed(range(60))] == re.findall(r'<th scope="row">(B\d+)</th>', table)


def test_persons_are_asked_in_order_of_the_alphabet_and_have_no_figure_on_the_page():
    asked = [
        {"by": "operator", "value": name, "runs": 12, "change_pct": pct, "change_pct_low": 0.0, "change_pct_high": 99.0,
         "share": 0.5, "ask": True}
        for name, pct in (("P-AA", 7.25), ("P-BB", 61.5))
    ]  # fmt: skip
    page = words(week_page({"drift": drift_of(moved_stage("washing", slices=asked, where=None))}))
    assert "Ask, in order of the alphabet: P-AA (12 runs), P-BB (12 runs)." in page
    assert "+62 %" not in page


def test_bench_work_together_that_moved_is_no_steady_week():
    one = moved_stage("bench_work", process="MEX", of=["assembly", "sanding"], slices=[], where=None)
    drift = drift_of(stage("washing"), together=[one])
    page = words(week_page({"drift": drift}))
    assert "MEX rare bench work together is still slower" in page
    assert "Nothing moved" not in page
    assert "Charted together, for each has few runs a week: assembly, sanding." in page
    assert "calib drift --accept MEX:bench_work --note WHY" in page


ODD = {
    "nothing checked": (None, "Drift was not checked: there is no fit yet."),
    "no run done": (drift_of(), "Nothing can have moved: no run of any stage is done yet."),
    "first week": (
        drift_of(stage("washing", "too_few_runs", runs=3)),
        "No stage has enough runs yet to tell whether it moved: 1 stage so far.",
    ),
    "one stage": (drift_of(stage("washing")), "Nothing moved: the one stage with enough runs took what was expected."),
    "erratic alone": (
        drift_of(stage("washing", erratic={"since": SINCE, "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0})),
        "Nothing moved: the one stage with enough runs took what was expected. The times of VPP washing spread wider than before.",
    ),
    "all moved": (drift_of(moved_stage("washing", change_pct=-20.0, minutes_per_build=-6.0, where="the whole stage")),
                  "No new change this week. VPP washing is still quicker: 6 min less a build (−20 %). Since about 4 May 2026 "
                  "(2 May 2026 to 6 May 2026); the whole stage."),
    "one is new": (
        drift_of(moved_stage("washing", hours_a_month=90.0), moved_stage("drying", alarm_at="2026-06-24", where="the whole stage")),
        "New this week: VPP drying is slower: 8 min more a build (+24 %). Since about 4 May 2026 (2 May 2026 to 6 May 2026); the "
        "whole stage. VPP washing is slower too: 8 min more a build (+24 %).",
    ),
    "an old one, and a spread that is new": (
        drift_of(
            moved_stage("washing", where=None),
            stage("drying", erratic={"since": SINCE, "alarm_at": "2026-06-24", "change_pct": 80.0, "change_pct_low": 30.0,
                                     "change_pct_high": 140.0}),
        ),
        "VPP washing is still slower: 8 min more a build (+24 %). Since about 4 May 2026 (2 May 2026 to 6 May 2026); cause not "
        "found. The other one is steady. The times of VPP drying spread wider than before.",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("drift", "sentence"), ODD.values(), ids=ODD)
def test_the_first_sentence_of_an_odd_week(drift, sentence):
    page = week_page({"as_of": "2026-06-29", "drift": drift})
    assert three_sentences({"drift": drift})[0] == sentence
    assert sentence in words(page)


def test_few_predictions_are_not_judged():
    few = {"weeks": 1, "predictions": 3, "coverage": {"80": 1.0}, "cells": []}
    answer = three_sentences({"backtest": few})[1]
    assert answer == "Only 3 runs in 1 week could be held against a range: too few to tell whether ranges are right."


def test_a_week_in_which_most_builds_failed_says_so_first():
    data = {"health": {}, "time_goes": {"rows": [], "printed": 9, "failed": 8}}
    assert three_sentences(data)[2] == "Do first: 8 of 9 builds printed lately failed."


def test_stamps_with_and_without_fractions_of_a_second_are_drawn():
    mixed = chart()
    mixed["at"][1] = "2026-03-03T01:02:03.500+00:00"
    page = week_page(
        {"drift": drift_of(stage("washing", chart=mixed), moved_stage("drying", chart=mixed | {"since": SINCE}))}
    )
    assert page.count("<svg") == 4


@pytest.mark.slow
def test_a_huge_lab_stays_a_page():
    page = words(week_page(huge_week()))
    assert len(page.encode()) < 3_000_000
    assert page.count('class="card"') == 20
    assert "100 machines are silent" in page
    assert "MEX: 7 moved, 94 steady" in page
    shown = re.sub(r"<details(?! open).*?</details>", "", page, flags=re.DOTALL)
    assert shown.count("<svg") == 2 * 12 + 2  # the costliest alarms and the hours, each for two widths


def test_a_place_that_moved_alone_is_looked_at_before_events_and_quicker_asks_what_is_left_out():
    assert look_first(moved_stage("washing", change_pct=-20.0))[-1].startswith("Look at once: the time of this stage")
    lines = look_first(moved_stage("blasting", change_pct=-20.0))
    assert lines[0].startswith("Look at station bath <1>")
    assert lines[1].startswith("Logged near the date")
    assert lines[-1].startswith("Quicker is good news only if nothing is left out")
    whole = look_first(moved_stage("washing", where="the whole stage"))
    assert whole[0].startswith("Logged near the date")
    assert not any("Quicker" in line for line in whole)


def test_of_an_erratic_stage_the_runs_furthest_off_either_way_are_told():
    runs = chart() | {"actual_pct": [0.0] * 57 + [-50.0, 60.0, 0.0]}
    wide = {"since": SINCE, "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0}
    assert look_first(stage("washing", erratic=wide, chart=runs)) == [
        "No event is logged near the date: ask what changed then, and log it.",
        "Look at these runs, the furthest of the last 10: B57 (−50 %), B58 (+60 %), B50 (0 %).",
    ]


def test_of_a_stage_that_moved_and_is_erratic_the_card_says_both_and_that_its_size_is_less_sure():
    wide = {"since": SINCE, "change_pct": 80.0, "change_pct_low": 30.0, "change_pct_high": 140.0}
    page = words(week_page({"drift": drift_of(moved_stage("washing", erratic=wide))}))
    assert page.count('class="card"') == 1
    assert (
        "More erratic since about 4 May 2026, spread of its times +80 % (9 of 10 times between +30 % and +140 %). With so much spread"
        in page
    )
    even = words(week_page({"drift": drift_of(moved_stage("washing", erratic=wide | {"change_pct": -40.0}))}))
    assert "More even since about 4 May 2026" in even
    assert "With so much spread" not in even


def test_what_a_factor_divides_stands_together():
    names = [("shift", "morning"), ("material", "tough"), ("shift", "afternoon"), ("material", "clear")]
    slices = [
        {"by": by, "value": value, "runs": 9, "change_pct": 9.0, "change_pct_low": 0.0, "change_pct_high": 20.0, "share": 0.3}
        for by, value in names
    ]  # fmt: skip
    page = words(week_page({"drift": drift_of(moved_stage("washing", slices=slices))}))
    assert re.findall(r'<span class="by">\w+</span> (\w+)', page) == ["morning", "afternoon", "tough", "clear"]


def test_of_what_quotes_have_not_taken_up_no_share_is_told():
    page = words(week_page({"drift": drift_of(moved_stage("washing", taken_up=0.0, now_min=33.0))}))
    assert "Quotes use 33 min for a usual build now (33 min before)." in page


def test_what_fills_the_page_can_go_from_one_process_to_another():
    # the local page has it made in a process of its own
    values = week_values(full_week())
    assert values["time_goes"]
    assert pickle.loads(pickle.dumps(values)) == values
