"""The documents that checks read: every key of docs/interface.md is there, in a shop with logs and in one without."""

from __future__ import annotations

import json
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO

import numpy as np
import pytest
from interface_page import missing_keys

from calib.cli.app import run

RANGE = {"p10", "p50", "p90"}
LEVELS = ["mean", "p05", "p10", "p25", "p50", "p75", "p90", "p95"]
PREDICTION = [
    "build_id",
    "process",
    "stage",
    "baseline_min",
    "baseline_basis",
    *(f"{n}_min" for n in LEVELS),
    "runs_behind",
]


def box(path, side):
    """An ASCII STL of a cube."""
    corners = [(x, y, z) for x in (0, side) for y in (0, side) for z in (0, side)]
    sides = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    lines = ["solid box"]
    for a, b, c, d in sides:
        for face in ((a, b, c), (a, c, d)):
            lines += ["facet normal 0 0 0", "outer loop"]
            lines += [f"vertex {corners[i][0]} {corners[i][1]} {corners[i][2]}" for i in face]
            lines += ["endloop", "endfacet"]
    path.write_text("\n".join([*lines, "endsolid box\n"]))
    return path


def logs(folder):
    rng = np.random.default_rng(7)
    builds, runs = ["build_id,process,machine,parts,part_volume_cm3"], ["build_id,stage,started_at,ended_at,operator"]
    for number in range(30):
        day = np.datetime64("2026-01-05T09:00") + np.timedelta64(3 * number, "D")
        builds.append(f"B{number},VPP,vpp1,{1 + number % 4},{5 + number}")
        for stage in ("printing", "unloading", "washing", "support_removal"):
            end = day + np.timedelta64(int(rng.integers(20, 60)), "m")
            runs.append(f"B{number},{stage},{day},{end},kim")
            day = end + np.timedelta64(10, "m")
    (folder / "builds.csv").write_text("\n".join(builds))
    (folder / "stages.csv").write_text("\n".join(runs))


def no_number(word):
    raise AssertionError(f"{word} is no number of JSON")


@pytest.fixture(scope="module", params=["logs", "no logs"])
def say(request, tmp_path_factory):
    """Calls calib in a shop with logs and a fit, or in an empty one; returns the document."""
    folder = tmp_path_factory.mktemp("documents")

    def call(*words):
        out = StringIO()
        with redirect_stdout(out), redirect_stderr(StringIO()):
            assert run([*words, "--json"]) == 0, out.getvalue()
        return json.loads(out.getvalue(), parse_constant=no_number)

    call.made = call("init", str(folder / "lab"), "--timezone", "Europe/Berlin")
    call.shop = ("--shop", str(folder / "lab"))
    call.part = str(box(folder / "box.stl", 20))
    call.has_logs = request.param == "logs"
    call.folder = folder
    toml = folder / "lab" / "shop.toml"
    toml.write_text(toml.read_text().replace("[quoting]\n", "[quoting]\ndraws = 300\n"))
    if call.has_logs:
        logs(folder / "lab" / "logs")
        call.imported = call("import", str(folder / "lab" / "logs"), *call.shop)
        call.fitted = call("fit", *call.shop)
    return call


pytestmark = pytest.mark.slow


def test_init_prints_a_document_too(say):
    assert not missing_keys("init", say.made)


def test_import(say):
    if say.has_logs:
        assert not missing_keys("import", say.imported)
        assert [file["kind"] for file in say.imported["files"]] == ["builds", "stages"]


def test_fit(say):
    if not say.has_logs:
        return
    assert not missing_keys("fit", say.fitted)
    assert say.fitted["cells"]
    assert say.fitted["as_of"] == "2026-04-02"  # the last logged end, not today


def test_measure(say):
    found = say("measure", say.part)
    assert not missing_keys("measure", found)
    assert "layers" not in found
    assert (round(found["volume_cm3"], 6), round(found["area_cm2"], 6), found["bodies"]) == (8, 24, 1)
    layers = say("measure", say.part, "--layers", "0.5")["layers"]
    assert layers[0].keys() >= {"z_mm", "area_mm2", "perimeter_mm"}
    assert [layers[0]["z_mm"], layers[-1]["z_mm"], len(layers)] == [0.25, 19.75, 40]


def test_predict(say):
    plan = say.folder / "plan.csv"
    plan.write_text("build_id,process,machine,parts,finish\nP1,VPP,vpp1,3,\nP2,VPP,vpp1,3,sanded\n")
    out = say.folder / "ranges.csv"
    document = say("predict", str(plan), "--out", str(out), *say.shop)
    header, *rows = [line.split(",") for line in out.read_text().splitlines()]
    assert header == PREDICTION
    assert list(document["predictions"][0]) == PREDICTION
    stages = {build: [row[2] for row in rows if row[0] == build] for build in ("P1", "P2")}
    assert [found[-1] for found in stages.values()] == ["total", "total"]
    assert "sanding" not in stages["P1"]  # an optional stage only where the finish asks for it
    assert "sanding" in stages["P2"]
    for row in document["predictions"]:
        levels = [row[f"{name}_min"] for name in LEVELS[1:]]
        assert levels == sorted(levels)


def test_quote(say):
    words = ("quote", say.part, "--qty", "3", "--start", "2026-06-01T08:00", "--seed", "5", *say.shop)
    found = say(*words)
    assert not missing_keys("quote", found)
    assert found["level"] == 0.8
    assert {option["process"] for option in found["options"]} == {"MEX", "VPP", "PBF"}
    for option in found["options"]:
        for name in ("work_min", "touch_min", "lead_time_h", "first_part_h", "ready_at"):
            assert option[name].keys() >= RANGE
        assert option["stages"]
        assert option["on_time"] is None  # no day was asked for
        assert option["ready_at"]["p50"][10] == "T"
        assert option["ready_at"]["p50"].endswith("+02:00")
    again = say(*words)
    for key in ("options", "soonest", "out"):
        assert again[key] == found[key]
    due = say(*words, "--due", "2026-06-05T17:00", "--process", "fdm")
    assert [option["process"] for option in due["options"]] == ["MEX"]
    assert all(0 <= option["on_time"] <= 1 for option in due["options"])
    assert all(one.keys() >= {"process", "machine", "reason"} for one in due["out"])


def test_compare(say, tmp_path):
    found = say(
        "compare",
        say.part,
        "--qty",
        "1,8",
        "--page",
        str(tmp_path / "page.html"),
        "--start",
        "2026-06-01T08:00",
        *say.shop,
    )
    assert not missing_keys("compare", found)
    assert found["quantities"] == [1, 8]
    for option in found["options"]:
        for name in ("lead_time_h", "per_part_h"):
            assert all(one.keys() >= {"quantity", *RANGE} for one in option[name])
    assert all(flip.keys() >= {"quantity", "from", "to", "chance"} for flip in found["flips"])


def test_drift(say):
    if not say.has_logs:
        return
    found = say("drift", *say.shop)
    assert not missing_keys("drift", found)
    assert found["as_of"] == "2026-04-02"
    assert found["stages"]
    for stage in found["stages"]:
        assert stage["state"] in {"steady", "drifting", "too_few_runs"}


def test_backtest(say):
    if not say.has_logs:
        return
    found = say("backtest", "--weeks", "6", *say.shop)
    assert not missing_keys("backtest", found)
    assert found["jobs"] is None
    assert found["coverage"].keys() >= {"50", "80", "90", "95"}
    assert found["cells"]


def test_quotes_and_promises(say):
    kept = say("quote", say.part, "--qty", "1", "--start", "2026-06-01T08:00", "--keep", *say.shop)
    listed = say("quotes", *say.shop)
    assert not missing_keys("quotes", listed)
    assert kept["quote_id"] in [row["quote_id"] for row in listed["quotes"]]
    say("accept", kept["quote_id"], *say.shop)
    forecast = say("promises", "--start", "2026-06-01T09:00", *say.shop)
    assert not missing_keys("promises", forecast)
    assert [row["quote_id"] for row in forecast["promises"]] == [kept["quote_id"]]


def test_what_a_fit_says_of_a_stage_has_the_keys_that_scripts_read(say):
    if not say.has_logs:
        return
    for cell in say.fitted["cells"]:
        assert cell["ratio_p50"] == cell["p50_ratio"] > 0
        assert cell["spread"] == pytest.approx(np.log(cell["p90_ratio"] / cell["p10_ratio"]) / 2.5631, rel=1e-3)
