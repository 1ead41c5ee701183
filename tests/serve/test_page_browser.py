"""The page as a browser has it: by keyboard alone, on a phone, without a network, light and dark; nothing fetched from elsewhere."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
from pathlib import Path

import pytest
from lab_page import Served, box_stl

from calib.store.open_store import open_store
from calib.workflow.import_logs import import_logs
from calib.workflow.quotes import list_quotes

sys.path.append(str(Path(__file__).parents[1] / "report"))
from browser import AXE, CHROMIUM, MEASURE, axe_source

DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no Chromium and its driver here"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]
WAIT_S = 60
PICTURE = Path(__file__).parents[2] / "docs" / "page.png"  # of README; made anew where CALIB_PICTURE is set


@pytest.fixture(scope="module")
def served(lab_once, tmp_path_factory):
    folder = tmp_path_factory.mktemp("seen") / "lab"
    shutil.copytree(lab_once, folder)
    log = folder / "logs" / "builds.csv"
    log.parent.mkdir(exist_ok=True)
    log.write_text(
        "build_id,process,machine,parts,planned\nW1,VPP,vpp1,2,true\nW2,MEX,mex1,4,true\nW3,MEX,mex1,4,true\nW4,MEX,mex1,4,true\n"
    )
    import_logs(folder, [log])
    (folder.parent / "box.stl").write_bytes(box_stl())
    one = Served(folder).start()
    yield one
    one.kill()


@pytest.fixture(scope="module")
def chrome():
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for word in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-component-update",
    ):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


def sized(chrome, width, dark=False):
    chrome.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})


def until(chrome, asked):
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        try:
            if found := asked():
                return found
        except Exception as error:  # the page was changing under it
            last = error
        time.sleep(0.1)
    raise AssertionError(
        f"{chrome.current_url}: {chrome.find_element('tag name', 'body').text[:500]} {locals().get('last')}"
    )


def text_of(chrome):
    return chrome.find_element("tag name", "main").text


def complaints(chrome):
    return [
        one["message"]
        for one in chrome.get_log("browser")
        if one["level"] in ("SEVERE", "WARNING") and "ERR_CONNECTION" not in one["message"]
    ]


def tab_to(chrome, name):
    """Go by Tab alone to what a screen reader calls so."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    for _ in range(80):
        ActionChains(chrome).send_keys(Keys.TAB).perform()
        here = chrome.switch_to.active_element
        if re.match(name, here.accessible_name or ""):
            return here
    raise AssertionError(f"no {name} by Tab on {chrome.current_url}")


def test_a_newcomer_asks_and_promises_by_keyboard_alone(served, chrome):
    from selenium.webdriver.common.keys import Keys

    sized(chrome, 1280)
    chrome.get(served.address)
    tab_to(chrome, "Drop the part").send_keys(str(served.folder.parent / "box.stl"))
    tab_to(chrome, "Show me the part").send_keys(Keys.ENTER)
    until(chrome, lambda: "40 x 30 x 20 mm" in text_of(chrome))
    assert chrome.switch_to.active_element.accessible_name == "How many?"
    chrome.switch_to.active_element.send_keys("5")
    tab_to(chrome, "When would it be ready").send_keys(Keys.ENTER)
    until(chrome, lambda: "Ready by" in text_of(chrome))
    tab_to(chrome, "very sure").send_keys(Keys.ENTER)
    until(chrome, lambda: "sure=0.95" in chrome.current_url)
    if os.environ.get("CALIB_PICTURE"):
        sized(chrome, 640)
        chrome.save_screenshot(str(PICTURE))
        sized(chrome, 1280)
    tab_to(chrome, "Promise it").send_keys(Keys.ENTER)
    until(chrome, lambda: "Promised:" in text_of(chrome))
    assert [one["quantity"] for one in list_quotes(served.folder)["quotes"]] == [5]
    tab_to(chrome, "Take the promise back").send_keys(Keys.ENTER)
    until(chrome, lambda: "Promise it?" in text_of(chrome))
    assert not any(one["accepted_at"] for one in list_quotes(served.folder)["quotes"])
    assert complaints(chrome) == []


def test_a_newcomer_starts_and_stops_at_the_bench_by_keyboard_alone(served, chrome):
    from selenium.webdriver.common.keys import Keys

    sized(chrome, 1280)
    chrome.get(f"{served.address}/bench?build=W1")
    until(chrome, lambda: chrome.find_elements("css selector", "#b-W1 button.big"))
    tab_to(chrome, "Start design adaptation").send_keys(Keys.ENTER)
    until(chrome, lambda: "design adaptation since" in text_of(chrome))
    time.sleep(1.1)  # a run takes a second at least
    tab_to(chrome, "Stop$").send_keys(Keys.ENTER)
    until(chrome, lambda: "Start file prep" in text_of(chrome))
    until(chrome, lambda: rows_of(served, "W1"))
    assert complaints(chrome) == []


FOREIGN = "Auftrag;Verfahren;Maschine;Stück\nF1;FFF;mex1;4\nF2;FFF;mex1;2\n"
LONG = "build_id,stage,started_at,ended_at\nW3,support_removal,2026-01-05T08:00,2026-01-06T06:00\nW3,sanding,soon,\n"


def test_a_lead_takes_logs_in_and_answers_by_keyboard_alone(served, chrome):
    from selenium.webdriver.common.keys import Keys

    sized(chrome, 1280)
    for name, text in (("long.csv", LONG), ("plan.csv", FOREIGN)):
        path = served.folder.parent / name
        path.write_text(text)
        chrome.get(f"{served.address}/monday")
        tab_to(chrome, "Drop the logs here").send_keys(str(path))
        tab_to(chrome, "Take them in").send_keys(Keys.ENTER)
        until(chrome, lambda: chrome.find_elements("css selector", ".found[role=status]"))
    tab_to(chrome, "Look at the proposal").send_keys(Keys.ENTER)
    until(chrome, lambda: "how its columns become ours" in text_of(chrome))
    assert "Auftrag" in chrome.find_element("css selector", "table[aria-label=Proposal]").text
    tab_to(chrome, "Every line is right").send_keys(Keys.ENTER)
    until(chrome, lambda: "The logs were read" in text_of(chrome))
    tab_to(chrome, "A wrong log").send_keys(Keys.ENTER)
    until(chrome, lambda: "Kept: wrong" in text_of(chrome))
    tab_to(chrome, "Take the answer back").send_keys(Keys.ENTER)
    until(chrome, lambda: "open again" in text_of(chrome))
    assert complaints(chrome) == []


def test_of_two_lead_pages_one_wins_and_the_other_gets_a_sentence(served, chrome):
    sized(chrome, 1280)
    chrome.get(f"{served.address}/monday")
    first = chrome.current_window_handle
    chrome.switch_to.new_window("tab")
    second = chrome.current_window_handle
    sized(chrome, 1280)
    chrome.get(f"{served.address}/monday")
    wrong = "button[value=wrong]"
    assert chrome.find_elements("css selector", wrong)
    chrome.switch_to.window(first)
    chrome.find_element("css selector", wrong).click()
    until(chrome, lambda: "Kept: wrong" in text_of(chrome))
    chrome.switch_to.window(second)
    chrome.find_element("css selector", "button[value=right]").click()
    until(chrome, lambda: "was answered meanwhile: wrong" in text_of(chrome))
    for window in (first, second):
        chrome.switch_to.window(window)
        chrome.get(f"{served.address}/ask/answer/Q00001")
    for window, word in ((first, "Promised:"), (second, "was promised meanwhile")):
        chrome.switch_to.window(window)
        chrome.find_element("xpath", "//button[text()='Promise it']").click()
        until(chrome, lambda word=word: word in text_of(chrome))
    chrome.close()
    chrome.switch_to.window(first)
    assert [one for one in complaints(chrome) if "422" not in one] == []  # the browser itself notes the status


ALL_PAGES = (
    "/ask", "/ask/answer/Q00001", "/bench", "/bench?build=W1", "/bench/card/W1", "/monday", "/monday/row/{row}", "/floor",
)  # fmt: skip


def addresses(served):
    from calib.workflow.review import find_set_aside_rows

    rows = find_set_aside_rows(served.folder)["rows"]
    return [address.format(row=rows[0]["reject_id"]) for address in ALL_PAGES]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_fit_can_be_read_and_fetch_nothing_from_elsewhere(served, chrome, dark):
    measure = (
        MEASURE.removeprefix("<script>")
        .removesuffix("</script>")
        .replace('addEventListener("load", () => {', "(() => {")
    )
    measure = measure.rstrip().removesuffix(");") + ")();"
    import json

    for address in addresses(served):
        for width in (390, 794, 1280):
            sized(chrome, width, dark)
            chrome.get(served.address + address)
            until(chrome, lambda: "in line" not in text_of(chrome) and "your turn" not in text_of(chrome))
            chrome.execute_script(measure)
            found = json.loads(chrome.title.removeprefix("measured "))
            assert found["overflow"] <= 0, (address, width)
            assert found["contrast"] >= 4.5, (address, width, found["text"])
            assert found["dark"] == dark
            assert found["over"] == [], (address, width)
            assert found["smallest"] >= 11, (address, found["small_text"])
            fetched = chrome.execute_script("return performance.getEntriesByType('resource').map(one => one.name)")
            assert all(name.startswith((served.address, "data:")) for name in fetched)
        chrome.execute_script(axe_source())
        assert chrome.execute_async_script(f"const done = arguments[0]; {AXE}.then(done)") == [], address
    assert complaints(chrome) == []


def test_everything_that_can_be_touched_is_large_enough_and_has_a_name(served, chrome):
    sized(chrome, 390)
    for address in ("/ask", "/bench", "/monday", "/ask/answer/Q00001"):
        chrome.get(served.address + address)
        small = chrome.execute_script(
            """return [...document.querySelectorAll("button, select, input:not([type=hidden]):not([type=checkbox]), summary, nav a")]
            .filter(one => one.getClientRects().length && one.getBoundingClientRect().height < 43.5).map(one => one.outerHTML.slice(0, 80))"""
        )
        assert [one for one in small if "The dots" not in one and 'type="file"' not in one] == []
        for one in chrome.find_elements("css selector", "button, select, input:not([type=hidden])"):
            if one.is_displayed():
                assert one.accessible_name, one.get_attribute("outerHTML")[:100]


def test_taps_without_a_network_are_kept_and_stored_once(served, chrome):
    sized(chrome, 390)
    chrome.get(f"{served.address}/bench")
    until(chrome, lambda: chrome.find_elements("css selector", "#b-W2 button.big"))
    served.kill()
    chrome.find_element("css selector", "#b-W2 button.big").click()
    until(chrome, lambda: "waits on this tablet" in text_of(chrome))
    time.sleep(1.1)
    chrome.find_element("css selector", "#b-W2 button.big").click()  # Stop, of a start that nobody has heard of
    until(chrome, lambda: "2 taps wait" in text_of(chrome))
    served.start()
    until(chrome, lambda: "Kept and sent" in text_of(chrome))
    until(chrome, lambda: chrome.execute_script("return Object.keys(localStorage).length") == 0)
    chrome.get(f"{served.address}/bench?build=W2")
    until(chrome, lambda: rows_of(served, "W2"))
    began, ended = rows_of(served, "W2")[0]
    assert 0 < (ended - began).total_seconds() < 30
    assert complaints(chrome) == []


def test_taps_that_cannot_be_taken_yet_stay_on_the_tablet_and_go_by_themselves(served, chrome):
    sized(chrome, 390)
    shop = served.folder / "shop.toml"
    text = shop.read_text()
    chrome.get(f"{served.address}/bench?build=W4")
    until(chrome, lambda: chrome.find_elements("css selector", "#b-W4 button.big"))
    chrome.execute_script("document.getElementById('board').dataset.token = '0'.repeat(64)")  # of another session
    shop.write_text(text.replace("Europe/London", "Europe/Nowhere"))
    try:
        chrome.find_element("css selector", "#b-W4 button.big").click()
        until(chrome, lambda: "1 tap waits on this tablet" in text_of(chrome))
    finally:
        shop.write_text(text)
    until(chrome, lambda: "Kept and sent" in text_of(chrome))
    assert chrome.execute_script("return Object.keys(localStorage).length") == 0
    assert "since" in chrome.find_element("css selector", "#b-W4").text
    complaints(chrome)  # the browser itself notes the statuses


def test_what_somebody_types_at_the_bench_is_not_replaced_by_a_fresh_page(served, chrome):
    sized(chrome, 390)
    chrome.get(f"{served.address}/bench?build=W2")
    field = until(chrome, lambda: chrome.find_element("css selector", ".who[open] [name=who]"))
    field.send_keys("Ada")
    chrome.find_element("css selector", "#b-W2 button.big").click()
    until(chrome, lambda: "Kept and sent" in text_of(chrome))
    assert chrome.find_element("css selector", "[name=who]").get_attribute("value") == "Ada"


def rows_of(served, build):
    with open_store(served.folder, read_only=True) as store:
        return store.execute(
            "SELECT started_at, ended_at FROM stage_run WHERE build_id = ? AND ended_at IS NOT NULL", [build]
        ).fetchall()
