"""Who asks while others are answered waits with a number, and is answered in turn; nobody gets an error."""

from __future__ import annotations

import asyncio
import gc
import re
import threading

import pytest
from lab_page import words_of

from calib.errors import UsageError
from calib.serve import line as line_module
from calib.serve.line import WaitingLine


@pytest.fixture
def held(page):
    """The one who is answered now, for as long as the test likes."""
    go_on = threading.Event()
    page.site.line.add("somebody", lambda: f"{go_on.wait(60)}")
    yield go_on
    go_on.set()


def test_each_waits_with_a_number_and_all_are_answered(page, held, monkeypatch):
    monkeypatch.setattr(line_module, "SOON_S", 0.05)
    token = re.search(r"p=([\w-]+)", str(page.bring().url))[1]
    fields = {"token": page.token(), "p": token, f"qty-{token}": "1", f"finish-{token}": ""}
    waiting = [page.browser.post("/ask/answer", data=fields) for _ in range(3)]
    numbers = [int(re.search(r"You are number (\d+) in line", shown.text)[1]) for shown in waiting]
    assert numbers == [2, 3, 4]
    held.set()
    for shown in waiting:
        assert "Ready by" in words_of(page.waited(shown).text)


def test_a_question_is_shown_to_who_asked_it_alone(page, held):
    job = page.site.line.add("somebody else", lambda: "/ask")
    assert page.browser.get(job.address).status_code == 404


def test_more_than_can_wait_are_asked_to_come_again(monkeypatch):
    monkeypatch.setattr(line_module, "MOST_WAITING", 2)
    line, go_on = WaitingLine(), threading.Event()
    for _ in range(2):
        line.add("", lambda: f"{go_on.wait(60)}")
    with pytest.raises(UsageError, match="2 questions are waiting already"):
        line.add("", lambda: "")
    go_on.set()
    line.close()


def test_work_that_fails_after_its_asker_went_to_wait_leaves_no_trace_in_the_log(monkeypatch, caplog):
    monkeypatch.setattr(line_module, "SOON_S", 0.01)

    async def asked():
        line, go_on = WaitingLine(), threading.Event()

        def fails():
            go_on.wait(10)
            raise UsageError("No machine can make it.")

        job = line.add("somebody", fails)
        assert await line.soon(job) == job.address
        go_on.set()
        with pytest.raises(UsageError):
            await asyncio.wrap_future(job.future)
        line.close()

    asyncio.run(asked())
    gc.collect()
    assert caplog.text == ""
