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


def test_the_workbook_offers_only_what_the_lab_has(tmp_path, monkeypatch, calib):
    """A lab of one extruder chooses no bath and no powder."""
    monkeypatch.chdir(tmp_path)
    calib("init lab --timezone UTC")
    shop = tmp_path / "lab" / "shop.toml"
    head, first, *_ = re.split(r"(?=^\[\[machine\]\]$)", shop.read_text(encoding="utf-8"), flags=re.MULTILINE)
    rest = re.search(r"^# --- materials.*", shop.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    shop.write_text(f"{head}{first}{rest[0]}", encoding="utf-8")
    assert calib("templates --shop lab")[0] == 0
    lists = load_workbook(tmp_path / "lab" / "templates" / "logs.xlsx")["lists"]
    words = {column[0]: {word for word in column[1:] if word} for column in lists.iter_cols(values_only=True)}
    assert words["machine"] == {"mex1"}
    assert words["process"] == {"MEX"}
    assert {"printing", "support_removal"} <= words["stage"]
    assert not {"washing", "post_curing", "breakout", "powder_prep"} & words["stage"]
