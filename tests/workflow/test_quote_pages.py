"""Quotes as a person asks for them: sheets, an order file, a what-if, a comparison as a page; and wrong use of each."""

from __future__ import annotations

import json

import pytest
from boxes import few_draws, write_box

from calib.cli.app import run


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder = tmp_path_factory.mktemp("asked") / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    few_draws(folder)
    write_box(folder / "box.stl", 60, 40, 20)
    write_box(folder / "rod.stl", 100, 10, 10)
    write_box(folder / "beam.stl", 450, 80, 60)
    (folder / "order.csv").write_text("part_file,qty\nbox.stl,4\nrod.stl,6\n", encoding="utf-8")
    (folder / "second.toml").write_text(
        '[[machine]]\nid = "mex2"\nprocess = "MEX"\nkind = "extruder"\nbuild_mm = [220, 220, 250]\nmaterials = ["pla"]\nowned = false\n'
    )
    return folder


@pytest.fixture
def calib(lab, capsys):
    """Runs a command in the lab: status, standard output, last line of standard error."""

    def call(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        status = run([*words, "--shop", str(lab)])
        out, err = capsys.readouterr()
        return status, out, (err.strip().splitlines() or [""])[-1]

    return call


def test_one_call_writes_both_editions(lab, calib, tmp_path):
    outward, inward = tmp_path / "o.html", tmp_path / "new" / "i.html"
    status, out, _ = calib(
        "quote", str(lab / "box.stl"), "--qty", "5", "--sheet", str(outward), "--inward", str(inward)
    )
    assert status == 0
    assert "Ready by" in outward.read_text(encoding="utf-8")
    inside = inward.read_text(encoding="utf-8")
    assert '<h2 id="options">All options</h2>' in inside
    assert "Other quantities" in inside
    assert "Promise " in out


def test_the_sheet_of_an_accepted_quote_says_what_was_promised(lab, calib, tmp_path):
    quote = json.loads(calib("quote", str(lab / "box.stl"), "--qty", "5", "--json")[1])["quote_id"]
    calib("accept", quote, "--by", "PBF", "--promise", "2031-03-05")
    sheet = tmp_path / "again.html"
    assert calib("quotes", quote, "--sheet", str(sheet))[0] == 0
    page = sheet.read_text(encoding="utf-8")
    assert "Ready by the end of Wednesday 5 March 2031" in page
    assert "powder bed fusion" in page
    calib("accept", quote, "--undo")


def test_an_order_file_is_quoted_as_a_whole(lab, calib, tmp_path):
    sheet = tmp_path / "order.html"
    status, out, _ = calib("quote", str(lab / "order.csv"), "--sheet", str(sheet))
    assert status == 0
    assert out.startswith("4 × box.stl, 6 × rod.stl      start ")
    page = sheet.read_text(encoding="utf-8")
    assert "Order of 2 parts, 10 pieces" in page
    assert page.count('role="img"') == 2


def test_a_patch_shows_today_beside_changed_and_keeps_no_quote(lab, calib):
    before = json.loads(calib("quotes", "--json")[1])["quotes"]
    words = ("quote", str(lab / "box.stl"), "--qty", "30", "--process", "MEX", "--if", str(lab / "second.toml"))
    answer = json.loads(calib(*words, "--json")[1])
    assert answer["soonest"]["changed"]["lead_time_h"]["p50"] <= answer["soonest"]["today"]["lead_time_h"]["p50"]
    assert "mex2" in calib(*words)[1]
    assert json.loads(calib("quotes", "--json")[1])["quotes"] == before


def test_a_comparison_is_a_table_and_a_page(lab, calib, tmp_path):
    page = tmp_path / "compared.html"
    status, out, _ = calib("compare", str(lab / "box.stl"), "--qty", "1,5,20", "--page", str(page))
    assert status == 0
    assert "first: MEX" in out
    processes, curves = 3, 3
    assert page.read_text(encoding="utf-8").count('role="img"') == processes * curves


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["quote", "box.stl"], "--qty is missing: finished parts wanted."),
        (["quote", "order.csv", "--qty", "3"], "of each part itself. Leave them out here."),
        (["quote", "box.stl", "--qty", "3", "--finish", "gold"], '"gold" is not a finish. Known: as_built'),
        (["quote", "box.stl", "--qty", "3", "--due", "2001-01-01"], "is not after the start"),
        (["quote", "box.stl", "--qty", "200000"], "quantity 200000 cannot be quoted: 1 to 100000 parts expected."),
        (["quote", "beam.stl", "--qty", "3"], "No machine of the shop can make beam.stl."),
        (["quote", "box.stl", "--qty", "3", "--if", "none.toml"], "none.toml"),
        (["quote", "box.stl", "--qty", "3", "--if", "none.toml", "--due", "2030-01-01"], "--due cannot be answered"),
        (["quote", "box.stl", "--qty", "3", "--process", "glue"], '"glue" is not a process.'),
        (["compare", "box.stl", "--qty", "five"], '--qty "five" is not a quantity.'),
        (["compare", "box.stl", "--qty", "0:3"], '--qty "0:3" is out of range.'),
    ],
)
def test_wrong_use_is_one_sentence(lab, calib, words, sentence):
    named = [str(lab / word) if word.endswith((".stl", ".csv")) else word for word in words]
    status, out, err = calib(*named)
    assert (status, out) == (2, "")
    assert sentence in err


def test_a_sheet_that_cannot_be_written_is_said(lab, calib):
    status, _, err = calib("quote", str(lab / "box.stl"), "--qty", "1", "--sheet", str(lab / "box.stl" / "x.html"))
    assert status == 2
    assert "cannot be written" in err
