"""From a quote to a kept promise: shown again, accepted, queued, forecast, fulfilled by logs, scored."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from boxes import few_draws, write_box

from calib.calendar.clock import to_minutes
from calib.cli.app import run
from calib.quoting.flow import QueuedBuild, released_jobs, run_flow
from calib.store.open_store import open_store
from calib.store.quotes import find_orders
from calib.workflow.fitted import learned_of
from calib.workflow.promises import DRAWS, find_all_orders, find_today, overrun
from calib.workflow.queue import find_queue_and_orders


@pytest.fixture(scope="module")
def quoted(tmp_path_factory):
    """A new shop with two quotes of a box, Q00001 of 40 and Q00002 of 10, both by the extruder."""
    folder = tmp_path_factory.mktemp("quoted") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    few_draws(folder)
    box = write_box(folder / "box.stl", 60, 40, 20)
    for quantity in ("40", "10"):
        assert (
            run(["quote", str(box), "--qty", quantity, "--process", "MEX", "--keep", "--shop", str(folder), "--json"])
            == 0
        )
    return folder


@pytest.fixture
def lab(quoted, tmp_path):
    return Path(shutil.copytree(quoted, tmp_path / "lab"))


@pytest.fixture
def calib(lab, capsys):
    """Runs a command in the lab and gives back its status and its document."""

    def call(*words: str) -> tuple[int, dict]:
        capsys.readouterr()
        status = run([*words, "--shop", str(lab), "--json"])
        return status, json.loads(capsys.readouterr().out)

    return call


def test_a_quote_is_shown_again_to_the_last_byte(lab, capsys):
    capsys.readouterr()
    assert run(["quote", str(lab / "box.stl"), "--qty", "3", "--due", "2099-01-01", "--shop", str(lab), "--json"]) == 0
    given = capsys.readouterr().out
    name = json.loads(given)["quote_id"]
    for words in (["quotes", name], ["quotes", "show", name.lower()]):
        assert run([*words, "--shop", str(lab), "--json"]) == 0
        assert capsys.readouterr().out == given


def test_the_record_keeps_inputs_versions_and_quantiles(lab):
    with open_store(lab, read_only=True) as store:
        inputs, document = store.execute("SELECT inputs, document FROM quote WHERE quote_id = 'Q00001'").fetchone()
    assert {"version", "seed", "draws", "start", "quantity", "as_of"} <= set(json.loads(inputs))
    chances, hours = zip(*json.loads(document)["options"][0]["lead_quantiles_h"], strict=True)
    assert chances[0] == 0.01
    assert chances[-1] == 0.99
    assert list(hours) == sorted(hours)


def test_a_run_that_does_not_end_is_named(lab):
    """A print of some 10 h: nothing is said of it after 9, but after 200."""
    rows = pd.DataFrame({"stage": ["printing"], "baseline_min": [600.0], "touch_min": [0.0], "floor_min": [0.0], "fillings": [0.0],
                         "prior_sd": [0.3], "basis": ["volume"]})  # fmt: skip
    usual, endless = (QueuedBuild("B2", "MEX", "mex1", "pla", rows, elapsed_min=60.0 * hours) for hours in (9, 200))
    today = find_today(lab, None)
    assert overrun([usual], today) == ""
    answer = overrun([usual, endless], today)
    assert answer.startswith("printing of B2 has run for 200 h, usually ")
    assert answer.endswith("late, or its end was not logged")


def age(lab: Path, quote: str, days: int) -> None:
    with open_store(lab) as store:
        store.execute("UPDATE quote SET quoted_at = quoted_at - to_days(?), valid_until = valid_until - to_days(?) "
                      "WHERE quote_id = ?", [days, days, quote])  # fmt: skip


def test_a_look_is_listed_and_scored_nowhere_and_goes_unless_it_is_taken(lab, calib):
    """Five looks: one is kept, one accepted and taken back, one built, two are left; after their last day these go."""

    def look() -> str:
        return calib("quote", str(lab / "box.stl"), "--qty", "2", "--process", "MEX")[1]["quote_id"]

    def listed() -> list[str]:
        return sorted(one["quote_id"] for one in calib("quotes")[1]["quotes"])

    kept, accepted, built, left, last = (look() for _ in range(5))
    assert listed() == ["Q00001", "Q00002"]
    assert calib("quotes")[1]["looks"] == 5
    assert calib("quotes", kept, "--keep")[0] == 0
    assert calib("accept", accepted)[0] == 0
    assert calib("accept", accepted, "--undo")[0] == 0
    log(lab, built, 2, datetime.now(UTC) - timedelta(hours=1))
    for name in (kept, accepted, built, left, last):
        age(lab, name, 30)
    assert look() == "Q00008"
    assert listed() == ["Q00001", "Q00002", kept, accepted, built]
    assert calib("quotes")[1]["promises"]["promises"] == 1
    status, answer = calib("accept", left)
    assert (status, "There is no quote" in answer["error"]["message"]) == (2, True)


def test_accepting_promises_what_the_quote_said_and_undo_takes_it_back(lab, calib):
    option = find_all_orders(lab)[0]["document"]["options"][0]
    status, answer = calib("accept", "Q00001", "--order", "R7", "--note", "by phone")
    assert status == 0
    assert answer["promised_at"] == option["promised_at"]
    assert answer["chance_then"] == option["promise_chance"]
    assert answer["slips"] == []
    _, listed = calib("quotes")
    assert {one["quote_id"]: one["state"] for one in listed["quotes"]} == {"Q00001": "accepted", "Q00002": "open"}
    assert calib("accept", "Q00001", "--undo")[0] == 0
    assert calib("promises")[1]["promises"] == []


def test_a_machine_that_is_gone_takes_no_promise(lab, calib):
    option = find_all_orders(lab)[0]["document"]["options"][0]
    shop = lab / "shop.toml"
    shop.write_text(shop.read_text(encoding="utf-8").replace(f'"{option["machine"]}"', '"another"'), encoding="utf-8")
    status, answer = calib("accept", "Q00001")
    assert status == 2
    assert f"Q00001 is for {option['machine']}, which is not in the shop file." in answer["error"]["message"]


def test_an_accepted_quote_stands_before_the_next(lab, calib):
    def lead() -> float:
        words = ("quote", str(lab / "box.stl"), "--qty", "10", "--process", "MEX", "--start", "2026-12-01T09:00")
        return calib(*words)[1]["options"][0]["lead_time_h"]["p50"]

    before = lead()
    calib("accept", "Q00001")
    assert lead() > before + 1


@pytest.mark.parametrize(("start", "more"), [(True, []), (False, ["--start"]), (True, ["--start"])])
def test_no_door_lets_accepted_work_begin_before_its_start(lab, calib, start, more):
    """Quoted for a later start, accepted for one, and both: the later of two is the one agreed when accepting."""
    box, now = str(lab / "box.stl"), datetime.now(UTC).replace(microsecond=0)
    quoted, agreed = (now + timedelta(days=days) for days in (7, 14))
    asked = ["quote", box, "--qty", "10", "--process", "MEX"]
    given = calib(*asked, *(["--start", quoted.isoformat()] if start else []))[1]
    begins = agreed if more else quoted
    answer = calib("accept", given["quote_id"], *(word for name in more for word in (name, agreed.isoformat())))[1]
    row = calib("promises")[1]["promises"][0]
    for found in (answer, row):
        assert datetime.fromisoformat(found["ready_at"]["p10"]) > begins
        assert datetime.fromisoformat(found["promised_at"]) > begins
        assert found["chance"] > 0.8
    lead = {when: calib(*asked, "--start", when)[1]["options"][0]["lead_time_h"]["p50"]
            for when in (now.isoformat(), (begins + timedelta(minutes=5)).isoformat())}  # fmt: skip
    before, behind = lead.values()
    assert behind > before + 1  # an order of today goes before it, one of that day behind it


def test_a_hurried_quote_makes_others_slip(calib):
    def chance(name: str) -> float:
        return next(one["chance"] for one in calib("promises")[1]["promises"] if one["quote_id"] == name)

    calib("accept", "Q00001")
    calib("accept", "Q00002")
    first, second = chance("Q00001"), chance("Q00002")
    slips = calib("accept", "Q00002", "--first")[1]["slips"]
    assert [one["quote_id"] for one in slips] == ["Q00001"]
    moments_later = 0.02  # each call forecasts from its own now
    assert slips[0]["chance_before"] == pytest.approx(first, abs=moments_later)
    assert slips[0]["chance"] == pytest.approx(chance("Q00001"), abs=moments_later)
    assert chance("Q00001") < first - 0.05
    assert chance("Q00002") > second


def test_promises_and_capacity_have_one_state_ready_in_the_same_minute(lab, calib):
    calib("accept", "Q00001")
    calib("accept", "Q00002")
    today = find_today(lab, (datetime.now(UTC) + timedelta(minutes=2)).isoformat())  # both may begin
    now, learned = to_minutes(today.now), learned_of(today.fitted, today.shop)
    queue, _ = find_queue_and_orders(lab, today.shop, today.fitted, pd.Timestamp(today.now))
    assert {build.quote_id for build in queue} == {"Q00001", "Q00002"}
    flow = run_flow(released_jobs(queue, [now] * len(queue), learned, DRAWS, seed=0), today.shop)
    for name, ready in today.ends(queue).items():
        own = [number for number, build in enumerate(queue) if build.quote_id == name]
        assert now + flow.turnaround_min[own].max(axis=0) == pytest.approx(ready, abs=0.01)


def test_a_promise_that_fell_says_why(calib):
    calib("accept", "Q00001")
    calib("accept", "Q00002")
    _, answer = calib("promises")
    second = next(one for one in answer["promises"] if one["quote_id"] == "Q00002")
    assert second["chance"] < 0.8
    assert "before it on mex1 (Q00001-1" in second["because"]
    assert (second["state"], second["level"]) == ("fell", 0.9)
    _, later = calib("promises", "--start", "2099-01-01")
    assert [one["state"] for one in later["promises"]] == ["late"] * 2
    assert [one["because"] for one in later["promises"]] == ["packing not logged yet"] * 2


def test_the_half_day_that_is_printed_is_stored_listed_sent_and_scored(lab, calib, tmp_path, capsys):
    sheet = tmp_path / "sheet.html"
    words = [
        "quote",
        str(lab / "box.stl"),
        "--qty",
        "10",
        "--process",
        "MEX",
        "--sheet",
        str(sheet),
        "--shop",
        str(lab),
    ]
    assert run(words) == 0
    printed = capsys.readouterr().out
    row = next(one for one in calib("quotes")[1]["quotes"] if one["quote_id"] == "Q00003")
    promised = datetime.fromisoformat(row["promised_at"])
    half_day = "midday" if promised.hour == 12 else f"{promised:%H:%M}"
    assert f"Promise {promised:%a} {promised.day} {promised:%b} {half_day}   " in printed
    assert f"{promised:%A} {promised.day} {promised:%B %Y}" in sheet.read_text(encoding="utf-8")
    assert f"({promised:%H:%M}" in sheet.read_text(encoding="utf-8")
    answer = calib("accept", "Q00003")[1]
    assert answer["promised_at"] == row["promised_at"]
    assert answer["chance_then"] == row["chance"] >= 0.9
    log(lab, "Q00003", 10, promised)  # to the minute in time, though after nine of ten such jobs
    assert calib("quotes")[1]["promises"]["text"] == "held 1 of 1"


def log(lab: Path, quote: str, parts: int, packed: datetime, by: str = "quote_id", build: str = "B1") -> None:
    """One build of the quote, printed and packed, by its quote or its order."""
    ids = {"quote_id": "", "order_id": ""} | {by: quote}
    (lab / "b.csv").write_text(
        f"build_id,process,machine,parts,material,quote_id,order_id\n{build},MEX,mex1,{parts},pla,{ids['quote_id']},{ids['order_id']}\n"
    )
    start, end = (packed - timedelta(hours=9)).isoformat(timespec="minutes"), packed.isoformat(timespec="minutes")
    mid = (packed - timedelta(minutes=10)).isoformat(timespec="minutes")
    (lab / "s.csv").write_text(
        f"build_id,stage,started_at,ended_at\n{build},printing,{start},{mid}\n{build},packing,{mid},{end}\n"
    )
    assert run(["import", str(lab / "b.csv"), str(lab / "s.csv"), "--shop", str(lab), "--json"]) == 0


@pytest.mark.parametrize(("late_h", "state", "held"), [(-1, "in time", 1), (1, "late", 0)])
def test_logs_fulfil_a_promise_by_quote_id_and_score_it(lab, calib, late_h, state, held):
    promised = datetime.fromisoformat(calib("accept", "Q00002")[1]["promised_at"])
    log(lab, "Q00002", 10, promised + timedelta(hours=late_h))
    _, listed = calib("quotes")
    one = next(row for row in listed["quotes"] if row["quote_id"] == "Q00002")
    assert (one["state"], one["builds"]) == (state, ["B1"])
    assert listed["promises"]["text"] == f"held {held} of 1"
    assert listed["promises"]["share"] is None
    assert calib("promises")[1]["promises"] == []


def test_logs_fulfil_a_promise_by_its_order_and_only_when_all_parts_are_packed(lab, calib):
    promised = datetime.fromisoformat(calib("accept", "Q00002", "--order", "R9")[1]["promised_at"])
    log(lab, "R9", 6, promised - timedelta(hours=3), by="order_id", build="B1")
    with open_store(lab, read_only=True) as store:
        assert find_orders(store)[1]["ready_at"] is None
    assert len(calib("promises")[1]["promises"]) == 1
    log(lab, "R9", 4, promised - timedelta(hours=1), by="order_id", build="B2")
    with open_store(lab, read_only=True) as store:
        assert find_orders(store)[1]["ready_at"] == promised - timedelta(hours=1)


def test_an_order_of_which_nobody_wrote_for_weeks_is_not_taken_for_ready_but_asked_about(lab, calib):
    now = datetime.now(UTC)
    calib("accept", "Q00002", "--promise", (now + timedelta(days=90)).date().isoformat())
    begun = (now - timedelta(days=50)).isoformat(timespec="minutes")
    (lab / "b.csv").write_text("build_id,process,machine,parts,material,quote_id\nB1,MEX,mex1,10,pla,Q00002\n")
    (lab / "s.csv").write_text(
        f"build_id,stage,started_at,ended_at\nB1,machine_setup,{begun},{begun[:14]}59{begun[16:]}\n"
    )
    assert run(["import", str(lab / "b.csv"), str(lab / "s.csv"), "--shop", str(lab), "--json"]) == 0
    (one,) = calib("promises")[1]["promises"]
    assert (one["state"], one["chance"], one["ready_at"]) == ("unknown", None, None)
    assert one["because"] == "no packing of B1 is logged, and nothing else of late: ready, or forgotten?"
    assert run(["promises", "--shop", str(lab)]) == 0
    calib("accept", "Q00001")  # beside it another is accepted as ever


def test_who_logs_no_packing_says_when_it_was_ready(calib):
    calib("accept", "Q00002", "--promise", "2020-01-01")
    _, answer = calib("accept", "Q00002", "--ready", "2020-01-01T12:00")
    assert answer["held"] is True
    assert calib("quotes")[1]["promises"]["text"] == "held 1 of 1"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["accept", "Q00011"], 'There is no quote "Q00011". The nearest is "Q00001"'),
        (["quotes", "nonsense"], 'There is no quote "nonsense".'),
        (["quotes", "Q00001", "Q00002"], "2 quotes are named: Q00001, Q00002. Show one at a time."),
        (["quotes", "--sheet", "x.html"], "No quote is named."),
        (["accept", "Q00001", "--by", "glue"], 'The quote has no option "glue". It has: MEX mex1.'),
        (["accept", "Q00001", "--promise", "soon"], '"soon" is not a date or time.'),
        (["accept", "Q00001", "--undo"], "Q00001 is not accepted: there is nothing to undo."),
        (["accept", "Q00001", "--ready", "2020-01-01"], "Q00001 is not accepted. First: calib accept Q00001"),
        (["promises", "--start", "soon"], '"soon" is not a date or time.'),
    ],
)
def test_wrong_use_is_one_sentence_and_changes_nothing(lab, capsys, words, sentence):
    capsys.readouterr()
    assert run([*words, "--shop", str(lab)]) == 2
    shown = capsys.readouterr().err.strip().splitlines()[-1]
    assert sentence in shown
    assert all(one["accepted_at"] is None for one in find_all_orders(lab))


def test_the_lists_read_well(lab, calib, capsys):
    calib("accept", "Q00001", "--order", "R7")
    for words, answer in (
        (["quotes"], "No quote's parts are finished yet"),
        (["promises"], "The open promise is kept 8 of 10 times or more."),
        (["accept", "Q00002", "--first"], "Undo: calib accept Q00002 --undo"),
        (["accept", "Q00002", "--undo"], "Q00002 is out of the queue again"),
    ):
        capsys.readouterr()
        assert run([*words, "--shop", str(lab)]) == 0
        assert answer in capsys.readouterr().out
