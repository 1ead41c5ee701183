"""Every field of every form fed with what nobody types, and addresses with bodies at random: a sentence, never a trace."""

from __future__ import annotations

import os
import random
import re

import pytest
from lab_page import words_of

from calib.workflow.import_logs import import_logs

EVIL = {
    "html": "<b>bold</b>",
    "script": "<script>alert(1)</script>",
    "attribute": '" autofocus onfocus="alert(1)',
    "template": "{{ 70001 * 30011 }}{% raw %}",
    "nul": "a\x00b",
    "direction": "abc\u202edef",
    "mark": "\u200fabc\u200e",
    "minus huge": "-9e999",
    "negative": "-1",
    "huge": "9" * 300,
    "float": "1e308",
    "path": "../../../../etc/passwd",
    "long": "x" * 100_000,
    "formula": "=1+1",
    "sql": "'; DROP TABLE build; --",
    "surrogate": "\ud800".encode("utf-8", "surrogatepass"),
}
KINDS = [pytest.param(kind, marks=() if kind == "script" else pytest.mark.slow) for kind in EVIL]
# form's address, its other fields
FORMS = {
    "/ask/part": {"known": "known.stl", "unit": ""},
    "/ask/answer": {"p": "x", "due": ""},
    "/ask/answer/{quote}/promise": {"process": "MEX", "sure": "0.9", "first": ""},
    "/ask/answer/{quote}/if": {"which": "first"},
    "/bench/who": {"who": ""},
    "/bench/tap": {
        "what": "start",
        "id": "tap-hostile",
        "build_id": "H1",
        "stage": "washing",
        "station": "",
        "note": "",
    },
    "/monday/answer": {"question": "1", "verdict": "right", "note": ""},
    "/monday/accept": {"stage": "MEX:washing", "note": "x"},
    "/monday/row/1/mend": {"what": "mend", "cell-parts": "2"},
    "/monday/map/x/answer": {"answer": "right"},
}
FIELDS = [(address, field) for address, fields in FORMS.items() for field in fields]
REQUESTS = 10_000 if os.environ.get("CALIB_LONG") else 300


@pytest.fixture(scope="module")
def filled(page):
    (page.folder / "logs").mkdir(exist_ok=True)
    log = page.folder / "logs" / "builds.csv"
    log.write_text(
        "build_id,process,machine,parts,planned\nH1,VPP,vpp1,2,true\nH2,VPP,vpp1,0,\n<script>alert(1)</script>,VPP,vpp1,2,true\n"
    )
    import_logs(page.folder, [log])
    page.quote = page.ask(1).url.path.rpartition("/")[2]
    page.line_token = page.token()
    page.site.board.refresh = lambda: None
    return page


def is_sound(page, shown, what=""):
    assert shown.status_code < 500, words_of(shown.text)[:600]
    assert "Traceback" not in shown.text
    assert "<script>alert" not in shown.text
    assert "<b>bold</b>" not in shown.text
    assert str(70001 * 30011) not in shown.text
    assert not re.search(r'<[^>]+ onfocus="', shown.text)
    assert str(page.folder) not in shown.text


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_every_form(filled, kind):
    for address, field in FIELDS:
        fields = {**FORMS[address], field: EVIL[kind], "token": filled.line_token}
        shown = filled.waited(filled.browser.post(address.format(quote=filled.quote), data=fields))
        is_sound(filled, shown, f"{address} {field}")
    for address in ("/ask", "/bench", "/monday", "/floor"):
        is_sound(filled, filled.waited(filled.browser.get(address)))


@pytest.mark.parametrize("kind", KINDS)
def test_names_in_addresses(filled, kind):
    value = EVIL[kind]
    text = value.decode("latin-1") if isinstance(value, bytes) else value
    for name, address in (
        ("p", "/ask/parts"),
        ("sure", f"/ask/answer/{filled.quote}"),
        ("build", "/bench"),
        ("notice", "/monday"),
        ("done", "/bench"),
    ):
        is_sound(filled, filled.waited(filled.browser.get(address, params={name: text[:2000]})))


def test_a_build_named_by_a_script_is_a_text_on_every_page(filled):
    name = "<script>alert(1)</script>"
    shown = filled.waited(filled.browser.get("/bench"))
    assert name.replace("<", "&lt;").replace(">", "&gt;") in shown.text
    is_sound(filled, shown)
    for address in ("/floor", "/bench/card/%3Cscript%3Ealert(1)%3C%2Fscript%3E"):
        is_sound(filled, filled.waited(filled.browser.get(address)))


def test_parts_that_are_none(filled):
    for name, data in {
        "empty.stl": b"",
        "text.stl": b"solid nothing\nfacet normal a b c\n",
        "zip.3mf": b"PK\x03\x04" + b"\0" * 200,
        "xml.3mf": b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><model>&b;</model>',
        "page.html": b"<script>alert(1)</script>",
        "step.step": b"ISO-10303-21;",
        "<script>alert(1)</script>.stl": b"x" * 100,
    }.items():
        shown = filled.bring(name, data)
        assert shown.status_code == 422, name
        is_sound(filled, shown)
    assert list(filled.site.uploads.folder.iterdir()) == []


@pytest.mark.slow
def test_requests_at_random(filled):
    """Methods, addresses, bodies and kinds of body at random."""
    luck = random.Random(4)
    addresses = [
        *FORMS,
        "/ask",
        "/ask/parts",
        "/bench",
        "/bench/taps",
        "/monday",
        "/monday/import",
        "/monday/learn/x",
        "/in/x",
        "/wait/x",
        "/static/x",
        "/floor",
    ]
    kinds = [
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "multipart/form-data",
        "application/json",
        "text/plain",
        "",
    ]
    for _ in range(REQUESTS):
        address = luck.choice(addresses).format(quote=filled.quote)
        body = luck.randbytes(luck.choice((0, 1, 10, 300, 5000)))
        if luck.random() < 0.3:
            body = (
                b'--x\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
                + filled.line_token.encode()
                + b"\r\n--x"
                + body
            )
        elif luck.random() < 0.4:
            body = b"token=" + filled.line_token.encode() + b"&what=start&" + body
        headers = {"content-type": luck.choice(kinds), "x-token": luck.choice((filled.line_token, "x"))}
        method = luck.choice(("POST", "POST", "POST", "GET", "PUT", "DELETE", "HEAD", "OPTIONS"))
        shown = filled.browser.request(method, address, content=body, headers=headers, follow_redirects=False)
        is_sound(filled, shown, f"{method} {address}")
