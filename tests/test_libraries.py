"""Each library that calib depends on, at work in a small lab: short, so that it can be asked of the oldest ones allowed too."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
import urllib.request
from http.cookiejar import CookieJar
from importlib.metadata import files
from pathlib import Path

import numpy as np
import pytest
import trimesh

from calib.cli.app import run

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[1]
STEP = ROOT / "tests" / "geometry" / "plate_in_inches.step"


def calib(capsys, *words):
    """The document of a call that went well."""
    capsys.readouterr()
    assert run([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A lab with a few weeks of resin: enough runs to learn from, few enough to be quick."""
    folder = tmp_path_factory.mktemp("libraries") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    shop = folder / "shop.toml"
    text = shop.read_text("utf-8").replace("[quoting]\n", "[quoting]\ndraws = 200\n")
    shop.write_text(text.replace("# holidays", "holidays"), encoding="utf-8")
    builds, runs = "build_id,process,machine,parts,part_volume_cm3\n", "build_id,stage,started_at,ended_at\n"
    for number in range(20):
        builds += f"B{number},VPP,vpp1,{1 + number % 4},{5 + number}\n"
        for hour, stage in enumerate(("printing", "washing", "post_curing"), 9):
            day = f"2026-01-{5 + number:02d}"
            runs += f"B{number},{stage},{day}T{hour:02d}:00,{day}T{hour:02d}:{20 + number % 7}\n"
    (folder / "logs" / "builds.csv").write_text(builds)
    (folder / "logs" / "stages.csv").write_text(runs)
    return folder


def test_logs_of_text_and_of_a_workbook_come_in_and_the_week_is_written(lab, capsys):
    import openpyxl

    book = openpyxl.Workbook()
    for row in (
        ("build_id", "stage", "started_at", "ended_at"),
        ("B1", "packing", "2026-01-07T09:00", "2026-01-07T09:30"),
    ):
        book.active.append(row)
    book.save(lab / "logs" / "packing.xlsx")
    week = calib(capsys, "week", lab / "logs", "--out", lab / "pages", "--shop", lab)
    assert [file["rows_new"] for file in week["import"]["files"]] == [20, 1, 60]
    assert week["fit"]["runs_used"] >= 60
    (page,) = (lab / "pages").glob("*.html")
    assert "<svg" in page.read_text("utf-8")


def test_parts_of_every_format_are_measured_and_quoted(lab, capsys, tmp_path):
    plate = trimesh.creation.box((30, 20, 10))
    plate.export(tmp_path / "plate.3mf")
    crossed = trimesh.util.concatenate([plate, plate.copy().apply_translation((5, 5, 5))])
    crossed.export(tmp_path / "crossed.stl")
    volumes = {path.name: calib(capsys, "measure", path)["volume_cm3"] for path in (*tmp_path.iterdir(), STEP)}
    assert volumes["plate.3mf"] == pytest.approx(6.0)
    assert volumes["crossed.stl"] == pytest.approx(12 - 25 * 15 * 5 / 1000)
    assert volumes[STEP.name] == pytest.approx(6 - 0.25 * 3.14159, rel=1e-3)
    quote = calib(capsys, "quote", tmp_path / "plate.3mf", "--qty", 7, "--start", "2026-03-02T08:00", "--shop", lab)
    assert {option["process"] for option in quote["options"]} == {"MEX", "VPP", "PBF"}
    order = tmp_path / "order.csv"
    order.write_text(f"part_file,qty\nplate.3mf,3\n{STEP},2\n")
    assert run(["quote", str(order), "--start", "2026-03-02T08:00", "--all", "--shop", str(lab)]) == 0


def test_trees_are_learned_where_the_model_is_wrong():
    from calib.calibration.learn_second_law import Past, learn_second_law
    from calib.calibration.second_law import SCORES, Signs

    rng = np.random.default_rng(1)
    n, plan = 2100, rng.normal(3, 1, 2100)
    y = np.where(plan > 3, 1.0, 0.0) + rng.normal(0, 0.1, n)
    signs = Signs(plan, np.full(n, 0.5), np.zeros(n), np.full(n, 3.0), np.arange(n) / 70, {})
    law = learn_second_law(Past(signs, y, 0.5 + SCORES * np.ones((n, 1)), np.arange(n) // 70))
    assert law.weight > 0.5
    few = signs.take(slice(20))
    middle = law.quantiles(few)[:, len(SCORES) // 2]
    assert middle == pytest.approx(np.where(few.size > 3, 1, 0), abs=0.3)


def test_the_page_takes_a_part_and_its_links_are_drawn_as_codes(lab):
    words = [sys.executable, "-X", "utf8", "-m", "calib", "serve", "--lan", "--shop", str(lab)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, encoding="utf-8") as server:
        try:
            answer = "".join(
                iter(
                    server.stdout.readline,
                    "Who has a link comes in: give each to those whom it is for. Ctrl-C ends it.\n",
                )
            )
            assert "█" in answer
            port, word = re.search(r":(\d+)/in/(\S+)\n", answer[answer.index("To do all of it") :]).groups()
            browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
            browser.open(f"http://127.0.0.1:{port}/in/{word}", timeout=60).close()
            asked = browser.open(f"http://127.0.0.1:{port}/ask", timeout=60).read().decode()
            token = re.search(r'name="token" value="(\w+)"', asked)[1]
            shown = browser.open(form(f"http://127.0.0.1:{port}/ask/part", token, STEP), timeout=60).read().decode()
            assert STEP.name in shown
        finally:
            server.terminate()


def form(address, token, path):
    """What a browser sends when a file is dropped on the page."""
    fields = {'name="token"': token.encode(), f'name="file"; filename="{path.name}"': path.read_bytes()}
    parts = [f"--x\r\nContent-Disposition: form-data; {name}\r\n\r\n".encode() + data for name, data in fields.items()]
    body = b"\r\n".join([*parts, b"--x--\r\n"])
    return urllib.request.Request(address, body, {"Content-Type": "multipart/form-data; boundary=x"})


def test_every_library_that_is_asked_for_was_at_work(lab):
    if "PYTEST_XDIST_WORKER" in os.environ and not (lab / "pages").exists():
        pytest.skip("the tests before this one ran elsewhere")
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    extras = [*project["optional-dependencies"]["holidays"], *project["optional-dependencies"]["step"]]
    wanted = {re.match(r"[\w-]+", line)[0] for line in project["dependencies"] + extras}
    in_page = {"python-multipart", "segno", "starlette", "uvicorn"}  # in a program of its own
    data = {"tzdata"}  # no module: the zone above was asked of it
    assert [name for name in sorted(wanted - in_page - data) if not modules_of(name) & sys.modules.keys()] == []


def modules_of(library):
    """Names of its modules that can be imported."""
    return {Path(file).parts[0].partition(".")[0] for file in files(library)}
