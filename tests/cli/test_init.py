"""A new shop: what init says is there, and is."""

from __future__ import annotations

import re
import tomllib

from openpyxl import load_workbook


def test_what_init_names_exists_and_its_steps_work(tmp_path, monkeypatch, calib):
    monkeypatch.chdir(tmp_path)
    status, out, _ = calib("init lab --timezone Europe/London")
    assert status == 0
    for path in re.findall(r"lab/[\w/.]+", out):
        assert (tmp_path / path.rstrip(".")).exists(), path
    assert tomllib.loads((tmp_path / "lab" / "shop.toml").read_text())["shop"]["timezone"] == "Europe/London"
    status, out, _ = calib("import lab/templates --shop lab")
    assert status == 0
    assert "no rows" in out


def test_the_workbook_offers_the_shops_own_machines(tmp_path, monkeypatch, calib):
    monkeypatch.chdir(tmp_path)
    calib("init lab --timezone UTC")
    lists = load_workbook(tmp_path / "lab" / "templates" / "logs.xlsx")["lists"]
    assert {"mex1", "vpp1", "pbf1", "wash"} <= {cell for row in lists.values for cell in row}


def test_an_empty_folder_of_logs_and_a_second_init_say_so(tmp_path, monkeypatch, calib):
    monkeypatch.chdir(tmp_path)
    calib("init lab --timezone UTC")
    assert "No log file in lab/logs." in calib("import lab/logs --shop lab")[2]
    assert "is a shop already" in calib("init lab")[2]
    assert "Did you mean Europe/London" in calib("init other --timezone Europe/Lodon")[2]


def test_a_machine_that_came_later_is_offered_after_templates(tmp_path, monkeypatch, calib):
    monkeypatch.chdir(tmp_path)
    calib("init lab --timezone UTC")
    shop = tmp_path / "lab" / "shop.toml"
    shop.write_text(shop.read_text().replace('id = "mex1"', 'id = "mex9"'))
    status, out, _ = calib("templates --shop lab")
    assert status == 0
    assert "lab/templates/logs.xlsx" in out
    lists = load_workbook(tmp_path / "lab" / "templates" / "logs.xlsx")["lists"]
    assert "mex9" in {cell for row in lists.values for cell in row}
