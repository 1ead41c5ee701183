"""What is not served: other names, other sites, forms without a token, too much, too slow, other roles, places on the disk."""

from __future__ import annotations

import asyncio
import json
import os
import re
import stat

import pytest
from lab_page import box_stl, open_page, words_of

from calib.errors import StoreError
from calib.serve.access import FILE, ROLES, read_access
from calib.serve.app import ROOMS
from calib.serve.guard import FORM_BYTES, MB, UPLOAD_BYTES, Guard


def test_only_names_of_this_machine_are_answered(page):
    for host in ("evil.example", "127.0.0.1.evil.example", ""):
        shown = page.browser.get("/ask", headers={"host": host})
        assert shown.status_code == 400
        assert "not served under that name" in words_of(shown.text)
    assert page.browser.get("/ask", headers={"host": "localhost:8520"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_form_from_another_site_is_refused_though_its_token_is_right(page, headers):
    shown = page.browser.post("/ask/part", data={"token": page.token(), "known": "known.stl"}, headers=headers)
    assert shown.status_code == 403
    assert "was sent from another" in words_of(shown.text)


def test_no_form_of_any_page_is_taken_from_another_site(page):
    token = page.token()
    posts = {route.path for route in ROOMS if "POST" in route.methods}
    assert len(posts) >= 13
    for address in posts:
        address = re.sub(r"{\w+}", "1", address)
        headers = {"origin": "http://evil.example", "x-token": token}
        shown = page.browser.post(address, data={"token": token}, headers=headers)
        assert shown.status_code == 403, address
        assert "was sent from another" in words_of(shown.text)


@pytest.mark.parametrize("token", ["", "0" * 64, "\u202e", "é"])
def test_a_form_without_its_token_changes_nothing(page, token):
    shown = page.browser.post("/ask/part", data={"token": token, "known": "known.stl"})
    assert shown.status_code == 403
    assert "not from a page of ours" in words_of(shown.text)


def test_a_token_is_good_for_its_own_session_alone(page):
    _, other = open_page(page.folder)
    shown = other.post("/ask/part", data={"token": page.token(), "known": "known.stl"})
    assert shown.status_code == 403


def test_the_browser_may_run_and_fetch_only_what_is_ours(page):
    for address in ("/ask", "/static/style.css", "/nowhere"):
        policy = page.browser.get(address).headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "script-src 'self';" in policy
    text = page.browser.get("/ask").text
    assert "<script>" not in text
    assert " style=" not in text
    assert "<style" not in text


def test_too_much_is_a_sentence_before_it_is_read(page):
    stated = page.browser.post("/ask/part", content=b"x", headers={"content-length": str(UPLOAD_BYTES * 3)})
    assert stated.status_code == 413

    def pieces():
        for _ in range(4):
            yield b"x" * MB

    form = {"content-type": "application/x-www-form-urlencoded"}
    sent = page.browser.post("/ask/answer", content=pieces(), headers=form)
    assert sent.status_code == 413
    assert "the most that is taken here" in words_of(sent.text)
    assert FORM_BYTES < UPLOAD_BYTES


def test_a_sender_who_takes_too_long_is_ended_with_a_sentence(monkeypatch):
    monkeypatch.setattr("calib.serve.guard.FORM_S", 0.05)
    sent = []

    async def one_byte_at_a_time():
        await asyncio.sleep(0.02)
        return {"type": "http.request", "body": b"-", "more_body": True}

    async def reads_all(scope, receive, send):
        while (await receive())["more_body"]:
            pass

    async def keep(message):
        sent.append(message)

    scope = {"type": "http", "method": "POST", "path": "/ask/answer", "headers": [(b"host", b"127.0.0.1")]}
    asyncio.run(Guard(reads_all, {"127.0.0.1"}, ())(scope, one_byte_at_a_time, keep))
    assert sent[0]["status"] == 408
    assert b"Sending took too long" in sent[1]["body"]


@pytest.mark.parametrize("address", ["/ask/answer", "/bench/tap", "/bench/who", "/monday/answer", "/monday/accept"])
def test_ten_million_letters_in_a_field_are_a_sentence(page, address):
    shown = page.browser.post(address, data={"token": page.token(), "note": "x" * 10_000_000})
    assert shown.status_code == 413
    assert "the most that is taken here" in words_of(shown.text)


@pytest.mark.parametrize(
    "place", ["../../etc/passwd", "..%2f..%2fshop.toml", "%2e%2e/shop.duckdb", "/etc/passwd", ".calib-serve.json"]
)
def test_no_place_on_the_disk_is_reached(page, place):
    for start in (
        "/static/", "/ask/answer/", "/", "/monday/row/", "/monday/map/", "/bench/card/", "/wait/", "/in/", "/bench?build=",
    ):  # fmt: skip
        shown = page.browser.get(start + place)
        shown = page.waited(shown)
        assert shown.status_code in (404, 422) or start == "/bench?build="
        assert "root:" not in shown.text
        assert str(page.folder) not in shown.text


def test_an_upload_is_named_by_its_last_word_alone(page):
    shown = page.bring("../../../../tmp/evil<script>.stl", box_stl())
    assert shown.status_code == 200
    assert "evil_script_.stl" in words_of(shown.text)
    assert "<script" not in shown.text


def test_links_of_roles_open_their_own_pages_alone(page):
    links = read_access(page.folder, False).links
    for role, rooms in ROLES.items():
        _, visitor = open_page(page.folder, is_open=False)
        assert visitor.get("/ask").status_code == 401
        visitor.get(f"/in/{links[role]}")
        for room in ("ask", "bench", "monday", "floor"):
            status = visitor.get(f"/{room}").status_code
            assert (status != 403) == (room in rooms), (role, room, status)
    _, stranger = open_page(page.folder, is_open=False)
    assert stranger.get("/in/guessed").status_code == 404
    assert stranger.get("/ask").status_code == 401


def test_a_cookie_that_was_not_given_here_is_nobody(page):
    _, stranger = open_page(page.folder, is_open=False)
    for cookie in ("lead.x.y", "", "lead..", "x" * 4000):
        stranger.cookies.set(page.site.access.cookie_name, cookie)
        assert stranger.get("/ask").status_code == 401


def test_secrets_stay_over_a_restart_and_are_the_owners_alone(page):
    path = page.folder / FILE
    assert read_access(page.folder, True).links == page.site.access.links
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_damaged_file_of_secrets_says_what_to_do(tmp_path):
    (tmp_path / FILE).write_text(json.dumps({"key": "zz"}))
    with pytest.raises(StoreError, match="is damaged"):
        read_access(tmp_path, True)


def test_what_nobody_expected_is_a_sentence_and_no_trace(page, monkeypatch):
    def broken(folder):
        raise RuntimeError(f"secret of {folder}")

    monkeypatch.setattr("calib.serve.ask.list_quotes", broken)
    shown = page.browser.get("/ask")
    assert shown.status_code == 500
    assert "a fault: RuntimeError" in words_of(shown.text)
    assert "secret of" not in shown.text


def test_an_error_in_the_shop_file_is_a_sentence_on_every_page(page):
    shop = page.folder / "shop.toml"
    text = shop.read_text()
    shop.write_text(text.replace("Europe/London", "Europe/Nowhere"))
    try:
        for address in ("/bench", "/floor", "/monday/week"):
            words = words_of(page.waited(page.browser.get(address)).text)
            assert '"Europe/Nowhere" is not an IANA time zone' in words.replace("&#34;", '"'), address
            assert "When the shop file is mended, open this page again" in words
        assert page.browser.get("/ask").status_code == 200
        assert page.browser.get("/monday").status_code == 200
    finally:
        shop.write_text(text)


def test_a_store_in_use_is_a_sentence_that_names_no_place(page, monkeypatch):
    def held(folder, quote):
        raise StoreError(f"{folder}/shop.duckdb is open in another program.", "Close it there and try again.")

    monkeypatch.setattr("calib.workflow.ask.find_given", held)
    shown = page.browser.get("/ask/answer/Q00001")
    assert shown.status_code == 409
    assert "shop.duckdb is open in another program. Close it there" in words_of(shown.text)
    assert str(page.folder) not in shown.text


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("foo", [(b"host", b"127.0.0.1")]),
        ("*", [(b"host", b"127.0.0.1")]),
        ("/ask", [(b"host", b"[::1")]),
        ("/ask", [(b"host", b"127.0.0.1"), (b"origin", b"http://[bad")]),
    ],
)
def test_a_target_a_host_or_an_origin_that_is_none_is_a_sentence(page, path, headers):
    sent = []

    async def keep(message):
        sent.append(message)

    async def nothing():
        return {"type": "http.request", "body": b"", "more_body": False}

    method = "POST" if len(headers) > 1 else "GET"
    scope = {"type": "http", "method": method, "path": path, "query_string": b"", "headers": headers}
    asyncio.run(page.browser.app(scope, nothing, keep))
    assert sent[0]["status"] == 400
    assert b"This request cannot be read" in sent[1]["body"]
