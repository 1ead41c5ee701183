"""The server is killed and started again between taps: nothing is lost, nothing is there twice."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
from datetime import UTC, datetime

import httpx2
import pytest
from lab_page import Served

from calib.serve.journal import FOLDER, Journal
from calib.store.open_store import open_store
from calib.workflow.import_logs import import_logs
from calib.workflow.taps import Tap

LONG = bool(os.environ.get("CALIB_LONG"))
KILLS, EACH = (200, 3) if LONG else (3, 12)
pytestmark = pytest.mark.slow


def builds_of(folder, number):
    log = folder / "logs" / "builds.csv"
    log.parent.mkdir(exist_ok=True)
    rows = "".join(f"K{one},MEX,mex1,1,true\n" for one in range(number))
    log.write_text("build_id,process,machine,parts,planned\n" + rows)
    import_logs(folder, [log])


@pytest.fixture
def served(lab_once, tmp_path):
    folder = tmp_path / "lab"
    shutil.copytree(lab_once, folder)
    one = Served(folder)
    yield one
    if one.process and one.process.poll() is None:
        one.kill()


@pytest.mark.skipif(os.name != "posix", reason="kills as POSIX has them")
def test_killed_between_and_during_taps(served):
    folder = served.folder
    luck = random.Random(19)
    taps = [
        {
            "id": f"tap-{number:06d}",
            "what": "start",
            "build_id": f"K{number}",
            "stage": "file_prep",
            "at": datetime.now(UTC).isoformat(),
        }
        for number in range(KILLS * EACH)
    ]
    builds_of(folder, len(taps))
    served.start()
    waiting, heard = list(taps), []
    browser = httpx2.Client(base_url=served.address, timeout=30, follow_redirects=True)
    token = re.search(r'name="token" value="(\w+)"', browser.get("/ask").text)[1]
    for _turn in range(KILLS):
        for _ in range(EACH):
            if not waiting:
                break
            sent = waiting[: luck.randint(1, 3)]
            answer = send(browser, token, sent)
            if luck.random() < 0.3:
                answer = send(browser, token, sent)  # the answer was lost on the way: sent again
            heard += answer["taken"]
            waiting = [tap for tap in waiting if tap["id"] not in answer["taken"]]
        served.kill()
        served.start()
    while waiting:
        answer = send(browser, token, waiting[:50])
        heard += answer["taken"]
        waiting = [tap for tap in waiting if tap["id"] not in answer["taken"]]
    status, shown = served.end()
    assert (status, shown) == (0, "")
    kept = [
        json.loads(line)["id"] for path in (folder / FOLDER).glob("*.taps") for line in path.read_text().splitlines()
    ]
    assert sorted(kept) == [tap["id"] for tap in taps]
    assert set(heard) == set(kept)
    served.start()  # what was not imported before the end comes in at the next look
    page = browser.get("/bench")
    while '"refresh"' in page.text:
        page = browser.get(str(page.url))
    served.end()
    browser.close()
    with open_store(folder, read_only=True) as store:
        rows = store.execute("SELECT run_id FROM stage_run ORDER BY 1").fetchall()
    assert [name for (name,) in rows] == [tap["id"] for tap in taps]


def send(browser, token, taps):
    body = {"now": datetime.now(UTC).isoformat(), "taps": taps}
    answer = browser.post("/bench/taps", json=body, headers={"x-token": token})
    assert answer.status_code == 200, answer.text
    assert answer.json()["refused"] == []
    return answer.json()


@pytest.mark.parametrize("cut", range(1, 40, 6))
def test_a_line_that_a_kill_cut_off_goes_and_is_taken_when_sent_again(tmp_path, cut):
    journal = Journal(tmp_path)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    one, two = (Tap(f"tap-{name}", "start", at, build_id=name, stage="washing") for name in ("first", "second"))
    assert journal.add(one)
    assert journal.add(two)
    path = next((tmp_path / FOLDER).glob("*.taps"))
    path.write_bytes(path.read_bytes()[:-cut])
    again = Journal(tmp_path)
    assert [tap.id for tap in again.taps] == ["tap-first"]
    assert again.add(two)
    assert not again.add(one)
    assert [tap.id for tap in Journal(tmp_path).taps] == ["tap-first", "tap-second"]
