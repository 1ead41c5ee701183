"""Exit statuses, --json, --shop and CALIB_SHOP, as docs/interface.md has them."""

from __future__ import annotations

import json

import pytest

from calib.cli.app import run
from calib.store.open_store import STORE_NAME

BUILDS = "build_id,process,machine,parts\nB1,VPP,vpp1,3\n"
ONE_BAD = BUILDS + "B2,VPP,vpp1,0\n"


def test_rows_set_aside_are_status_0_and_1_with_strict(lab):
    log = lab.write(ONE_BAD)
    assert lab.call("import", str(log))[0] == 0
    for again in ([], ["--json"]):
        assert lab.call("import", str(log), "--strict", *again)[0] == 1
    assert lab.call("import", str(lab.write(BUILDS)), "--strict")[0] == 0


@pytest.mark.parametrize(
    "words",
    [
        ["import", "nowhere.csv"],
        ["import", "picture.csv"],
        ["predict", "nowhere.csv"],
        ["fit", "--as-of", "soon"],
        ["fit", "--as"],
        ["review", "77", "--right"],
        ["nonsense"],
    ],
)
def test_unusable_input_is_status_2_and_changes_nothing(lab, monkeypatch, words):
    monkeypatch.chdir(lab.folder.parent)
    lab.take(BUILDS)
    (lab.folder.parent / "picture.csv").write_bytes(bytes(range(256)) * 40)
    before = (lab.folder / STORE_NAME).read_bytes()
    status, out, err = lab.call(*words)
    assert (status, out) == (2, "")
    assert err.startswith("calib: ")
    status, out, _ = lab.call(*words, "--json")
    assert status == 2
    document = json.loads(out)
    assert document.keys() == {"error"}
    assert document["error"].keys() == {"message", "hint"}
    assert (lab.folder / STORE_NAME).read_bytes() == before


def test_a_file_that_cannot_be_read_has_its_own_error_and_the_others_go_in(lab, fates):
    document = lab.take(BUILDS, "colour,weight\nred,3\n")
    assert fates(document) == (1, 0, 0, 0, 0)
    assert document["files"][1]["error"]
    assert fates(document, 1) == (0, 0, 0, 0, 0)


def test_the_shop_is_named_by_option_else_by_variable_else_it_is_the_current_folder(lab, tmp_path, monkeypatch, capsys):
    log = str(lab.write(BUILDS))
    other = tmp_path / "other"
    other.mkdir()
    monkeypatch.chdir(lab.folder)
    assert run(["import", log]) == 0
    monkeypatch.chdir(other)
    assert run(["import", log]) == 2
    monkeypatch.setenv("CALIB_SHOP", str(lab.folder))
    assert run(["import", log]) == 0
    assert run(["import", log, "--shop", str(other)]) == 2


def test_with_json_there_is_one_document_on_standard_output_and_nothing_else(lab):
    status, out, _ = lab.call("import", str(lab.write(ONE_BAD)), "--json")
    document = json.loads(out)
    assert out.count("\n") == 1
    assert {"files", "seconds"} <= document.keys()
    keys = "path kind rows_read rows_new rows_corrected rows_repeated rows_quarantined rows_held error"
    assert set(keys.split()) <= document["files"][0].keys()
