"""Which site should take an order: quotes of all sites with the way to the customer."""

from __future__ import annotations

import json
from datetime import date

import pytest
import trimesh
from lxml import html

from calib.cli.app import run
from calib.quoting.promise import open_days_later
from calib.shop.read_shop import read_shop
from calib.store.open_store import STORE_NAME

START = "2026-03-02T08:00"  # a Monday


def edit(company, site, old, new):
    path = company / "work" / site / "shop.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def quoted(capsys, company, part, *more):
    assert run(["sites", "quote", str(company), str(part), "--qty", "4", "--start", START, "--json", *more]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def gauge(tmp_path):
    path = tmp_path / "gauge.stl"
    trimesh.creation.box((40, 30, 20)).export(path)
    return path


def test_a_site_with_days_of_carriage_comes_later_and_one_that_cannot_is_named(learned, gauge, capsys):
    company = learned / "all"
    for site, days in (("S1", 3), ("S2", 0)):
        edit(company, site, "# carriage_days = 2 ", f"carriage_days = {days} ")
    (company / "work" / "S3" / "shop.toml").unlink()
    before = (company / "work" / "S1" / STORE_NAME).read_bytes()
    document = quoted(capsys, company, gauge, "--process", "MEX")
    assert [one["site"] for one in document["sites"]] == ["S2", "S1"]
    near, far = document["sites"]
    assert (near["carriage_days"], near["arrives"]) == (0, near["promised_at"][:10])
    shop = read_shop(company / "work" / "S1")
    ready = date.fromisoformat(far["promised_at"][:10])
    assert far["arrives"] == open_days_later(ready, 3, shop).isoformat() > far["promised_at"][:10]
    assert document["out"] == [{"site": "S3", "reason": "nothing was learned from it yet: calib sites fit"}]
    assert (company / "work" / "S1" / STORE_NAME).read_bytes() == before


def test_the_site_says_what_the_lab_itself_would(learned, gauge, capsys):
    (one, *_) = [one for one in quoted(capsys, learned / "all", gauge)["sites"] if one["site"] == "S1"]
    folder = str(learned / "all" / "work" / "S1")
    assert run(["quote", str(gauge), "--qty", "4", "--start", START, "--sure", "0.9", "--shop", folder, "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["options"][0]
    assert (one["promised_at"], one["ready_at"]) == (first["promised_at"], first["ready_at"])


def test_a_part_that_no_site_can_make_is_a_table_of_reasons(learned, tmp_path, capsys):
    huge = tmp_path / "mast.stl"
    trimesh.creation.box((4000, 4000, 4000)).export(huge)
    assert run(["sites", "quote", str(learned / "all"), str(huge), "--qty", "1"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("mast.stl, 1 part: no site can make it.")
    assert all(f"{site}: " in shown for site in ("S1", "S2", "S3"))


def test_the_table_names_the_first_site_and_what_is_not_known(learned, gauge, capsys):
    edit(learned / "all", "S2", "# carriage_days = 2 ", "carriage_days = 9 ")
    assert run(["sites", "quote", str(learned / "all"), str(gauge), "--qty", "4", "--start", START]) == 0
    shown = capsys.readouterr().out
    assert "it there first." in shown.splitlines()[0]
    assert "S2" not in shown.splitlines()[0]
    assert "accepted and not yet planned" in shown
    assert "Take care" in shown


def test_the_page_says_who_should_take_the_order(learned, gauge, tmp_path, capsys):
    edit(learned / "all", "S2", "# carriage_days = 2 ", "carriage_days = 9 ")
    (learned / "all" / "work" / "S3" / "shop.toml").unlink()
    page = tmp_path / "page.html"
    asked = ["--qty", "4", "--start", START, "--process", "MEX", "--out", str(page)]
    assert run(["sites", "report", str(learned / "all"), str(gauge), *asked]) == 0
    first = "gauge.stl, 4 parts: S1 has it there first."
    assert first in capsys.readouterr().out
    section = html.fromstring(page.read_text("utf-8")).xpath("//section[@aria-labelledby='order']")[0]
    rows = [[cell.text_content() for cell in row] for row in section.xpath(".//tbody/tr")]
    assert [(row[0], row[4]) for row in rows] == [("S1", "0"), ("S2", "9")]
    text = " ".join(section.text_content().split())
    assert "S3 cannot: nothing was learned from it yet" in text
    assert "Take care, MEX" in text


def test_what_is_missing_is_one_sentence(learned, gauge, capsys):
    assert run(["sites", "quote", str(learned / "all"), str(gauge)]) == 2
    assert "A part and --qty are needed." in capsys.readouterr().err
    assert run(["sites", "report", str(learned / "all"), str(gauge)]) == 2
    assert "A part and --qty are needed." in capsys.readouterr().err
    assert run(["sites", "fit", str(learned / "all"), str(gauge)]) == 2
    assert "takes no part" in capsys.readouterr().err


def test_open_days_skip_the_days_on_which_the_lab_is_closed(learned):
    shop = read_shop(learned / "lab1")
    assert open_days_later(date(2026, 3, 6), 1, shop) == date(2026, 3, 9)
    assert open_days_later(date(2026, 3, 6), 0, shop) == date(2026, 3, 6)
