"""What a user names for a result: nothing is lost that calib did not write, and nothing of the shop in any case."""

from __future__ import annotations

import os
import shutil

import pytest

BOX = """solid box
{}endsolid box
"""
CORNERS = [(x, y, z) for x in (0, 20) for y in (0, 20) for z in (0, 10)]
FACES = [(0, 2, 1), (1, 2, 3), (4, 5, 6), (5, 7, 6), (0, 1, 4), (1, 5, 4), (2, 6, 3), (3, 6, 7), (0, 4, 2), (2, 4, 6), (1, 3, 5),
         (3, 7, 5)]  # fmt: skip
# Command, and the file that it is to write: {} in its line.
PLAN = "predict plan.csv --out {}"
WRITERS = {
    PLAN: "ranges.csv",
    "quote part.stl --qty 1 --process VPP --start 2026-01-12T08:00 --sheet {}": "sheet.html",
    "quote part.stl --qty 1 --process VPP --start 2026-01-12T08:00 --inward {}": "inside.html",
    "compare part.stl --qty 1 --process VPP --start 2026-01-12T08:00 --page {}": "page.html",
    "export {/}": "out/stages.csv",
    "rejects --out {/}": "out/quarantine_stages.csv",
}
WHOLE_NAMES = [line for line in WRITERS if "{}" in line]


@pytest.fixture
def shop(lab):
    facet = "facet normal 0 0 0\nouter loop\n{}endloop\nendfacet\n"
    facets = (facet.format("".join("vertex {} {} {}\n".format(*CORNERS[i]) for i in face)) for face in FACES)
    (lab / "part.stl").write_text(BOX.format("".join(facets)))
    (lab / "plan.csv").write_text("build_id,process,machine,parts\nP1,VPP,vpp1,2\n")
    for name in ("parts", "maps", "templates", "backups"):
        (lab / name).mkdir()
        (lab / name / "own.csv").write_text("of the shop")
    return lab


def written(line, path):
    return line.replace("{}", str(path)).replace("{/}", str(path.parent))


def everything(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    "line", [pytest.param(line, marks=pytest.mark.slow) if ".stl" in line else line for line in WRITERS]
)
def test_an_earlier_result_is_replaced_and_what_anybody_changed_is_not(shop, calib, line):
    out = shop / "results" / WRITERS[line]
    for _ in range(2):
        assert calib(written(line, out))[0] == 0
    content = out.read_bytes()
    out.write_bytes(b"note," + content if line == PLAN else content.replace(b"B", b"C"))
    changed = out.read_bytes()
    assert changed != content
    status, _, err = calib(written(line, out))
    assert status == 2 and "is there already, and is no " in err and "--overwrite" in err
    assert out.read_bytes() == changed
    assert calib(written(line, out) + " --overwrite")[0] == 0
    assert out.read_bytes() != changed
    assert not [path for path in shop.rglob("*") if path.name.endswith(".calib-part")]


@pytest.mark.parametrize("name", ["shop.duckdb", "shop.toml", "shop.duckdb.wal", "logs/stages.csv", "logs/new.csv", "parts/own.csv",
                                  "maps/own.csv", "maps/new.toml", "templates/own.csv", "backups/own.csv", "part.stl",
                                  "plan.csv", "elsewhere/to_the_store"])  # fmt: skip
@pytest.mark.parametrize("line", WHOLE_NAMES)
def test_nothing_of_the_shop_and_nothing_that_is_read_is_ever_written_over(shop, calib, line, name):
    (shop / "elsewhere").mkdir()
    (shop / "elsewhere" / "to_the_store").symlink_to(shop / "shop.duckdb")
    before = everything(shop)
    read = name in line  # the part, or the plan
    for more in ("", " --overwrite") if read or name not in ("part.stl", "plan.csv") else ("",):
        status, _, err = calib(written(line, shop / name) + more)
        assert status == 2 and str(shop / name) in err, err
    assert everything(shop) == before


@pytest.mark.parametrize("folder", ["logs", "parts", "maps", "templates", "backups"])
@pytest.mark.parametrize("line", ["export {}", "rejects --out {}", "report --out {}"])
def test_no_table_or_page_goes_into_a_folder_of_the_shop(shop, calib, line, folder):
    before = everything(shop)
    status, _, err = calib(line.format(folder) + " --overwrite")
    assert status == 2 and f"is in {folder}, " in err, err
    assert everything(shop) == before


@pytest.mark.parametrize("line", WHOLE_NAMES)
def test_only_a_plain_file_is_written(shop, calib, line, tmp_path):
    pipe, loop, link, behind = (tmp_path / name for name in ("pipe", "loop", "link.html", "behind.html"))
    os.mkfifo(pipe)
    loop.symlink_to(loop)
    link.symlink_to(behind)
    for path, says in (
        (pipe, "is no plain file"), (tmp_path, "is a folder"), (loop, "cannot be written"),
        (tmp_path / ("x" * 300), "cannot be written"), (shop / "part.stl" / "x", "cannot be written"),
    ):  # fmt: skip
        status, _, err = calib(written(line, path) + " --overwrite")
        assert status == 2 and says in err and len(err) < 400, err
    assert pipe.is_fifo()
    if line == PLAN:  # the others take longer, and the writer is the same
        assert calib(written(line, link))[0] == 0
        assert link.is_symlink() and behind.stat().st_size


def test_two_sheets_in_one_file_are_refused_before_the_quote_is_kept(shop, calib):
    status, _, err = calib("quote part.stl --qty 1 --sheet x.html --inward x.html")
    assert status == 2 and "is named for two results" in err
    assert not (shop / "x.html").exists() and "0 quotes" not in calib("quotes")[2]


def test_templates_that_somebody_changed_are_left(shop, calib):
    shutil.rmtree(shop / "templates")
    assert calib("templates")[0] == 0
    guide, stages = shop / "templates" / "how_to_fill.md", shop / "templates" / "stages.csv"
    guide.write_text("our own words")
    stages.write_text(stages.read_text() + "B1,,washing\n")
    filled = everything(shop / "templates")
    assert calib("export templates")[0] == 2
    assert calib("templates")[0] == 0
    now = everything(shop / "templates")
    assert now[guide] == filled[guide] and now[stages] == filled[stages]


@pytest.mark.parametrize("line", ["demo", "init"])
def test_a_lab_is_not_made_in_a_file_or_under_too_long_a_name(shop, calib, line):
    for name in ("plan.csv", "plan.csv/lab", "x" * 300):
        status, _, err = calib(line, name)
        assert status == 2 and "cannot be written" in err
