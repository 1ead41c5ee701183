"""Two taps at a station become a row of the log: once, by the server's clock, and as the import has it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from urllib.parse import quote

import pytest
from lab_page import words_of

from calib.errors import StoreError
from calib.store.open_store import open_store
from calib.store.runs import find_runs
from calib.workflow.import_logs import import_logs
from calib.workflow.taps import Tap, fold, logs_of_taps

BUILDS = "build_id,process,machine,parts,material,part_volume_cm3,height_mm,planned\n"
AT = "2026-01-05T08:00:00+00:00"


@pytest.fixture(scope="module")
def bench(page):
    rows = "".join(f"B{number},VPP,vpp1,3,,20,30,true\n" for number in range(1, 13))
    rows += "B/1 2,VPP,vpp1,3,,20,30,true\n"
    log = page.folder / "logs"
    log.mkdir(exist_ok=True)
    machine = re.search(r'id = "([\w-]+)"\nprocess = "VPP"', (page.folder / "shop.toml").read_text())[1]
    (log / "builds.csv").write_text(BUILDS + rows.replace("vpp1", machine))
    import_logs(page.folder, [log / "builds.csv"])
    page.site.board.refresh = lambda: None  # each test says when the store is looked at
    return page


def shown(page, address="/bench"):
    return page.waited(page.browser.get(address)).text


def card(page, build):
    return shown(page).partition(f'id="b-{build}"')[2].partition("</article>")[0]


def tap(page, what, **fields):
    return page.send(
        "/bench/tap", {"what": what, "id": f"tap-{datetime.now(UTC).timestamp()}".replace(".", "-"), **fields}
    )


def start(page, build, stage="design_adaptation"):
    tap(page, "start", build_id=build, stage=stage)
    return re.search(r'name="run" value="([^"]+)"', card(page, build))[1]


def settled(page):
    """The runs in the store once all taps are in."""
    page.site.line.add("test", page.site.board.work).future.result()
    with open_store(page.folder, read_only=True) as store:
        runs = find_runs(store)
    return {
        (ids[0], stage): row
        for ids, stage, row in zip(runs["build_ids"], runs["stage"], runs.to_dict("records"), strict=True)
    }


def send_taps(page, taps, now=None, token=None):
    body = {"now": (now or datetime.now(UTC)).isoformat(), "taps": taps}
    return page.browser.post("/bench/taps", json=body, headers={"x-token": token or page.token("/ask")})


def test_each_build_shows_its_next_step_with_its_cautions(bench):
    shown_card = card(bench, "B1")
    assert "Start design adaptation" in shown_card
    assert shown_card.count("<form") >= 1


def test_start_and_stop_become_a_run(bench):
    run = start(bench, "B1")
    assert "design adaptation</strong> since" in card(bench, "B1")
    before = settled(bench)["B1", "design_adaptation"]
    assert before["state"] == "running"
    tap(bench, "stop", run=run)
    assert "Start file prep" in card(bench, "B1")
    after = settled(bench)["B1", "design_adaptation"]
    assert (after["state"], after["outcome"], after["ended_by"]) == ("done", "done", "person")
    assert after["run_key"] == before["run_key"]
    assert "Start file prep" in card(bench, "B1")


def test_the_last_tap_is_taken_back_also_after_it_came_into_the_store(bench):
    run = start(bench, "B2")
    tap(bench, "stop", run=run)
    settled(bench)
    last = re.search(r'name="of" value="([^"]+)"', shown(bench))[1]
    tap(bench, "undo", of=last)
    assert "design adaptation</strong> since" in card(bench, "B2")
    again = settled(bench)["B2", "design_adaptation"]
    assert again["state"] == "running"
    assert "design adaptation</strong> since" in card(bench, "B2")
    run = re.search(r'name="run" value="([^"]+)"', card(bench, "B2"))[1]
    tap(bench, "stop", run=run)
    assert settled(bench)["B2", "design_adaptation"]["state"] == "done"


def test_a_start_that_is_taken_back_is_no_run(bench):
    start(bench, "B3")
    settled(bench)
    last = re.search(r'name="of" value="([^"]+)"', shown(bench))[1]
    tap(bench, "undo", of=last)
    settled(bench)
    assert "Start design adaptation" in card(bench, "B3")
    with open_store(bench.folder, read_only=True) as store:
        rows = store.execute("SELECT outcome FROM stage_run WHERE build_id = 'B3'").fetchall()
    assert rows == [("void",)]


def test_failed_asks_for_the_step_again_as_the_next_attempt(bench):
    run = start(bench, "B4")
    tap(bench, "failed", run=run, note="jammed")
    assert "for the 2nd time" in card(bench, "B4")
    start(bench, "B4")
    rows = settled(bench)
    assert rows["B4", "design_adaptation"]["attempt"] == 2


def test_found_and_stopped_earlier_say_so(bench):
    run = start(bench, "B5")
    tap(bench, "found", run=run)
    assert settled(bench)["B5", "design_adaptation"]["ended_by"] == "found"
    began = datetime.now(UTC) - timedelta(hours=2)
    sent = [
        {
            "id": "earlier-test-1",
            "what": "start",
            "build_id": "B6",
            "stage": "design_adaptation",
            "at": began.isoformat(),
        }
    ]
    assert send_taps(bench, sent).json()["taken"] == ["earlier-test-1"]
    when = (began + timedelta(hours=1)).isoformat()
    tap(bench, "earlier", run="earlier-test-1", when=when)
    row = settled(bench)["B6", "design_adaptation"]
    assert row["work_min"] == pytest.approx(60, abs=0.1)


def test_a_tap_sent_twice_is_stored_once(bench):
    one = {
        "id": "twice-sent-1",
        "what": "start",
        "build_id": "B7",
        "stage": "design_adaptation",
        "at": datetime.now(UTC).isoformat(),
    }
    for _ in range(3):
        assert send_taps(bench, [one, one]).json() == {
            "taken": ["twice-sent-1", "twice-sent-1"], "refused": [], "trouble": "", "clock_off_s": 0,
        }  # fmt: skip
    assert sum(tap.id == "twice-sent-1" for tap in bench.site.board.journal.taps) == 1


def test_the_servers_clock_counts_and_a_wrong_one_is_told(bench):
    fast = datetime.now(UTC) + timedelta(hours=3)
    tapped = {"id": "fast-clock-1", "what": "start", "build_id": "B8", "stage": "design_adaptation"}
    answer = send_taps(bench, [tapped | {"at": (fast - timedelta(minutes=30)).isoformat()}], now=fast).json()
    assert answer["clock_off_s"] == pytest.approx(3 * 3600, abs=5)
    at = datetime.fromisoformat(bench.site.board.journal.find("fast-clock-1").at)
    assert (datetime.now(UTC) - at) / timedelta(minutes=1) == pytest.approx(30, abs=0.2)


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"what": "stop", "run": "nobody"}, "is not known here"),
        ({"what": "start", "build_id": "B1", "stage": "flying"}, "is no step of this shop"),
        ({"what": "start", "build_id": "", "stage": "washing"}, "The build is not said"),
        ({"what": "start", "build_id": "B1\u202e", "stage": "washing"}, "cannot be seen"),
        ({"what": "start", "build_id": "B1", "stage": "washing", "station": "moon"}, "no machine or station"),
        ({"what": "dance"}, "is no tap"),
        ({"what": "undo", "of": "nothing"}, "not the last of its run"),
    ],
)
def test_a_tap_that_cannot_be_is_a_sentence_and_the_others_are_kept(bench, fields, sentence):
    name = f"wrong-{abs(hash(str(fields)))}"
    answer = send_taps(bench, [{"id": name, **fields}, {"id": f"note-{name}", "what": "undo", "of": "x"}])
    assert answer.status_code == 200
    assert sentence in answer.json()["refused"][0]["says"]
    assert answer.json()["taken"] == []


@pytest.mark.parametrize(
    "body", ["", "[]", "{}", '{"taps": 3, "now": "x"}', '{"taps": [], "now": "2026-01-01T00:00:00"}', "[" * 3000]
)
def test_taps_that_cannot_be_read_are_a_sentence(bench, body):
    answer = bench.browser.post("/bench/taps", content=body, headers={"x-token": bench.token("/ask")})
    assert answer.status_code == 422
    assert "cannot be read" in words_of(answer.text)


def test_taps_wait_on_the_tablet_while_the_shop_file_has_an_error(bench):
    shop = bench.folder / "shop.toml"
    text, token = shop.read_text(), bench.token("/ask")
    sent = [
        {"id": "shop-error-1", "what": "start", "build_id": "B9", "stage": "washing"},
        {"id": "shop-error-2", "what": "stop", "run": "shop-error-1"},
    ]
    shop.write_text(text.replace("Europe/London", "Europe/Nowhere"))
    try:
        answer = send_taps(bench, sent, token=token).json()
    finally:
        shop.write_text(text)
    assert (answer["taken"], answer["refused"]) == ([], [])
    assert '"Europe/Nowhere" is not an IANA time zone' in answer["trouble"]
    assert send_taps(bench, sent).json()["taken"] == ["shop-error-1", "shop-error-2"]


def test_what_a_store_in_use_does_not_take_waits_and_nothing_behind_it_overtakes(bench, monkeypatch):
    def held(folder, note):
        if note:
            raise StoreError("shop.duckdb is open in another program.")
        return note

    assert send_taps(bench, [{"id": "store-held-1", "what": "start", "build_id": "B10", "stage": "washing"}]).json()[
        "taken"
    ]
    sent = [
        {"id": "store-held-2", "what": "note", "run": "store-held-1", "note": "a leak"},
        {"id": "store-held-3", "what": "stop", "run": "store-held-1"},
    ]
    with monkeypatch.context() as patched:
        patched.setattr("calib.serve.bench.plain_note", held)
        answer = send_taps(bench, sent).json()
    assert (answer["taken"], answer["refused"]) == ([], [])
    assert answer["trouble"] == "shop.duckdb is open in another program."
    assert send_taps(bench, sent).json()["taken"] == ["store-held-2", "store-held-3"]


def test_taps_that_did_not_come_into_the_store_are_said_and_come_in_the_next_time(bench, monkeypatch):
    from calib.workflow import taps

    started = {"id": "not-in-yet-1", "what": "start", "build_id": "B1", "stage": "inspection"}
    assert send_taps(bench, [started]).json()["taken"]

    def held(*asked):
        raise StoreError("shop.duckdb is open in another program.")

    with monkeypatch.context() as patched:
        patched.setattr(taps, "import_logs", held)
        with pytest.raises(StoreError):
            bench.site.board.work()
    assert "not in the lab's store yet" in shown(bench)
    assert "This may be old" in shown(bench, "/floor")
    assert settled(bench)["B1", "inspection"]["state"] == "running"
    assert "not in the lab's store yet" not in shown(bench)


@pytest.mark.parametrize("note", ["worn \u200d\u202elamp\x00", "x" * 100_000, 7, None, "a\nb"])
def test_a_stop_is_not_lost_with_what_stands_in_its_note(bench, note):
    name = f"odd-note-{abs(hash(str(note)))}"
    sent = [
        {"id": name, "what": "start", "build_id": "B10", "stage": "inspection"},
        {"id": f"{name}-end", "what": "stop", "run": name, "note": note},
    ]
    assert send_taps(bench, sent).json()["taken"] == [name, f"{name}-end"]
    assert bench.site.board.journal.find(f"{name}-end").note in ("worn lamp", "x" * 300, "", "a b")


def test_a_note_is_taken_back_too(bench):
    run = start(bench, "B12")
    tap(bench, "note", run=run, note="wrong build")
    last = re.search(r'name="of" value="([^"]+)"', shown(bench))[1]
    tap(bench, "undo", of=last)
    assert bench.site.board.journal.runs[run].note == ""
    assert settled(bench)["B12", "design_adaptation"]["state"] == "running"


def test_other_steps_have_their_cautions_beside_their_start(bench):
    others = card(bench, "B11").partition("Another step")[2]
    assert "Post curing:</strong> UV light" in others


def test_taps_need_the_token_of_the_page(bench):
    assert send_taps(bench, [], token="0" * 64).status_code == 403


def test_a_stop_that_was_forgotten_is_asked_about_in_one_list(bench):
    began = datetime.now(UTC) - timedelta(days=1, hours=1)
    sent = [{"id": "forgotten-1", "what": "start", "build_id": "OLD", "stage": "washing", "at": began.isoformat()}]
    assert send_taps(bench, sent).json()["taken"]
    for settle in (False, True):
        if settle:
            settled(bench)
        assert asked_about(bench).count("of OLD") == 1
    tap(bench, "earlier", run="forgotten-1", when=(began + timedelta(minutes=20)).isoformat())
    assert "of OLD" not in asked_about(bench)
    settled(bench)
    assert "of OLD" not in asked_about(bench)


def asked_about(page):
    return shown(page).partition('class="forgotten"')[2].partition("</section>")[0]


def test_who_is_here_is_kept_as_an_alias_alone(bench):
    answer = bench.send("/bench/who", {"who": "Ada Quill"})
    assert re.search(r"Here as P-[A-Z2-9]{6}", words_of(answer.text))
    tap(bench, "start", build_id="B1", stage="machine_setup")
    assert re.fullmatch(r"P-\w{6}", bench.site.board.journal.taps[-1].operator)
    kept = b"".join(
        path.read_bytes() for path in bench.folder.rglob("*") if path.is_file() and path.suffix != ".duckdb"
    )
    assert b"Ada" not in kept
    assert b"Quill" not in kept


def test_a_cookie_that_names_somebody_is_nobody(bench):
    from calib.serve.bench import WHO

    for one in [one for one in bench.browser.cookies.jar if one.name == WHO]:
        bench.browser.cookies.jar.clear(one.domain, one.path, one.name)
    bench.browser.cookies.set(WHO, "Ben%20Reed")
    send_taps(bench, [{"id": "forged-who-1", "what": "start", "build_id": "B9", "stage": "washing"}])
    bench.browser.cookies.delete(WHO)
    assert bench.site.board.journal.find("forged-who-1").operator == ""


def test_a_card_leads_to_its_build(bench):
    text = shown(bench, "/bench/card/B5")
    assert "<svg" in text.partition('class="code"')[2][:200]
    assert "http://127.0.0.1/bench?build=B5" in text
    assert 'id="b-B5"' in shown(bench, "/bench?build=B5")
    assert 'id="b-B1"' not in shown(bench, "/bench?build=B5")


def test_a_card_that_the_lead_prints_on_the_serving_machine_leads_a_tablet_there(bench, monkeypatch):
    assert "Only this machine can open that address" in shown(bench, "/bench/card/B5")
    monkeypatch.setattr(bench.site, "place", "192.0.2.7:8520")
    monkeypatch.setattr(bench.site, "access", replace(bench.site.access, is_open=False))
    text = shown(bench, "/bench/card/B5")
    assert "http://192.0.2.7:8520/bench?build=B5" in text
    assert "Only this machine" not in text


@pytest.mark.parametrize("name", ["B5", "B/1 2"])
def test_the_first_look_after_a_start_comes_to_where_it_was_asked_for(bench, name, monkeypatch):
    monkeypatch.setattr("calib.serve.line.SOON_S", 0.0)
    for address in (f"/bench/card/{quote(name)}", f"/bench?build={quote(name, safe='')}"):
        bench.site.board.view = None
        assert f">{name}</h1>" in shown(bench, address)


@pytest.mark.slow
def test_a_promised_quote_can_be_started_and_its_build_is_logged(bench):
    asked = bench.ask(1)
    bench.send(f"{asked.url.path}/promise", {"process": "MEX", "sure": "0.9"})
    quote = asked.url.path.rpartition("/")[2]
    settled(bench)
    build = f"{quote}-1"
    assert "promised" in card(bench, build)
    tap(bench, "start", build_id=build, stage="design_adaptation")
    assert settled(bench)[build, "design_adaptation"]["state"] == "running"
    with open_store(bench.folder, read_only=True) as store:
        assert store.execute("SELECT quote_id FROM build WHERE build_id = ?", [build]).fetchall() == [(quote,)]


def test_only_the_days_whose_runs_changed_are_written_anew():
    def start(name, day, **more):
        return Tap(f"tap-{name}", "start", f"2026-11-{day}T23:30:00+00:00", build_id=name, stage="washing", **more)

    taps = [start("one", "02"), start("two", "03", plan={"parts": 2}), start("three", "03")]
    before = fold(taps)
    assert sorted(logs_of_taps(before, taps, {}, "Europe/Berlin")) == [
        "bench-2026-11-03.csv", "bench-2026-11-04.csv", "bench-builds-2026-11-04.csv",
    ]  # fmt: skip
    assert logs_of_taps(fold(taps), taps, before, "Europe/Berlin") == {}
    taps.append(Tap("tap-stop", "stop", "2026-11-05T08:00:00+00:00", run="tap-one"))
    [(name, rows)] = logs_of_taps(fold(taps), taps, before, "Europe/Berlin").items()
    assert name == "bench-2026-11-03.csv"
    assert [(row["build_id"], row["ended_at"]) for row in rows] == [("one", "2026-11-05T08:00:00+00:00")]
    taps.append(Tap("tap-undo", "undo", "2026-11-05T08:01:00+00:00", of="tap-three"))
    assert sorted(logs_of_taps(fold(taps), taps, fold(taps[:-1]), "Europe/Berlin")) == [
        "bench-2026-11-04.csv", "bench-builds-2026-11-04.csv",
    ]  # fmt: skip


def test_every_order_of_arrival_of_one_runs_taps_folds_to_one_run():
    begun = Tap("a-start", "start", AT, build_id="B1", stage="washing")
    ended = Tap("b-stop", "stop", "2026-01-05T08:20:00+00:00", run="a-start")
    back = Tap("c-undo", "undo", "2026-01-05T08:21:00+00:00", of="b-stop")
    assert fold([begun])["a-start"].is_open
    assert fold([begun, ended])["a-start"].ended_at == ended.at
    run = fold([begun, ended, back])["a-start"]
    assert run.is_open
    assert [(row["run_id"], row["outcome"]) for row in run.rows()] == [("a-start", "void"), ("a-start~1", "")]
