"""A company's store in a bucket: the night in a copy is the night in a folder, and what is put is whole."""

from __future__ import annotations

import json
import shutil
import sys

import pytest
from made_labs import write_logs

from calib.cli.app import run
from calib.errors import StoreError
from calib.results import digest_of
from calib.workflow.bucket import NIGHT, company_folder, send_site_to
from calib.workflow.company import load_site
from calib.workflow.import_logs import import_logs

fsspec = pytest.importorskip("fsspec")


@pytest.fixture
def there(tmp_path, monkeypatch):
    """An empty bucket, and a machine that has not seen it."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    files = fsspec.filesystem("memory")
    yield files
    files.rm("/", recursive=True)
    files.pseudo_dirs[:] = [""]


ADDRESS = "memory://gauges/all"


def objects(there, place):
    return {path.removeprefix("/gauges/all/"): there.cat_file(path) for path in there.find(f"/gauges/all/{place}")}


def test_what_is_sent_is_what_a_folder_would_hold_and_a_second_time_only_what_changed(company, there):
    first = send_site_to(ADDRESS, company / "lab1", "S1")
    assert first["company"] == ADDRESS
    manifest = json.loads(objects(there, "sites")["sites/S1/manifest.json"])
    assert set(manifest["files"]) == set(objects(there, "logs"))
    before = there.info("/gauges/all/" + min(manifest["files"]))["created"]
    import_logs(company / "lab1", write_logs(company / "lab1", 1, 1, first=6))
    assert all("month=2026-02" in path for path in send_site_to(ADDRESS, company / "lab1")["files"])
    assert set(json.loads(objects(there, "sites")["sites/S1/manifest.json"])["files"]) == set(objects(there, "logs"))
    assert there.info("/gauges/all/" + min(manifest["files"]))["created"] == before
    assert not any(name.rsplit("/", 1)[-1].startswith(".") for name in objects(there, ""))


def test_a_site_never_touches_what_another_sent(company, there):
    send_site_to(ADDRESS, company / "lab1", "S1")
    before = objects(there, "")
    send_site_to(ADDRESS, company / "lab2", "S2")
    after = objects(there, "")
    assert {name: after[name] for name in before} == before
    assert len(after) == 2 * len(before)


def test_an_object_that_is_damaged_or_gone_is_a_sentence_and_the_next_export_heals_it(company, there, tmp_path):
    send_site_to(ADDRESS, company / "lab1", "S1")
    month, other = sorted(there.find("/gauges/all/logs/stage_run"))[:2]
    there.pipe_file(month, there.cat_file(month)[:-40])
    there.rm_file(other)
    with company_folder(ADDRESS) as folder, pytest.raises(StoreError, match=r"Site S1: logs/stage_run/.*parquet is "):
        load_site(folder, "S1", tmp_path / "work")
    send_site_to(ADDRESS, company / "lab1", "S1")
    with company_folder(ADDRESS) as folder:
        assert load_site(folder, "S1", tmp_path / "work")[0].rows == 144


def test_a_machine_that_sends_for_the_first_time_does_so_whole(company, there, monkeypatch, tmp_path):
    send_site_to(ADDRESS, company / "lab1", "S1")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "new machine"))
    send_site_to(ADDRESS, company / "lab1")
    manifest = json.loads(objects(there, "sites")["sites/S1/manifest.json"])
    for name, content in objects(there, "logs").items():
        (tmp_path / "object").write_bytes(content)
        assert digest_of(tmp_path / "object") == manifest["files"][name]["sha256"]


def test_a_night_sends_its_results_and_holds_off_another_machine(learned, there, monkeypatch, tmp_path):
    there.put(str(learned / "all") + "/", "/gauges/all/", recursive=True)
    there.rm("/gauges/all/work", recursive=True)
    with company_folder(ADDRESS, night=True) as folder:
        shutil.copytree(learned / "all" / "work", folder / "work")
        (folder / "results" / "night-fit" / "rows.parquet").write_bytes(b"new")
        (folder / "results" / "fit" / "site=S3" / "rows.parquet").unlink()
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "another machine"))
        with pytest.raises(StoreError, match="Another night is at work on memory://gauges/all"):
            with company_folder(ADDRESS, night=True):
                pass
    results = objects(there, "results")
    assert results["results/night-fit/rows.parquet"] == b"new"
    assert NIGHT not in results
    assert "results/fit/site=S3/rows.parquet" not in results
    assert not objects(there, "work")


def test_a_night_that_was_killed_does_not_hold_off_the_next_one_of_this_machine(learned, there, tmp_path):
    there.put(str(learned / "all" / "sites") + "/", "/gauges/all/sites/", recursive=True)
    with company_folder(ADDRESS, night=True):
        left = there.cat_file(f"/gauges/all/{NIGHT}")
    there.pipe_file(f"/gauges/all/{NIGHT}", left)
    with company_folder(ADDRESS, night=True):
        pass
    assert not there.exists(f"/gauges/all/{NIGHT}")


def test_the_commands_take_an_address(learned, there, tmp_path, capsys):
    assert run(["export", "--company", ADDRESS, "--site", "S1", "--shop", str(learned / "lab1")]) == 0
    assert f"This lab is S1 in {ADDRESS}." in capsys.readouterr().out
    there.put(str(learned / "all" / "results") + "/", "/gauges/all/results/", recursive=True)
    assert run(["sites", "report", ADDRESS, "--out", str(tmp_path / "page.html")]) == 0
    assert "<h1>all: 3 sites</h1>" in (tmp_path / "page.html").read_text("utf-8")


def test_without_the_library_the_command_says_what_to_install(monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    assert run(["sites", "fit", ADDRESS]) == 2
    assert capsys.readouterr().err.strip().endswith("is not installed. pip install 'calib[bucket]'")


@pytest.mark.parametrize("address", ["nothing-such://a/b", "memory://gauges/none"])
def test_an_address_that_leads_nowhere_is_one_sentence(there, capsys, address):
    assert run(["sites", "fit", address]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "nothing-such://a/b cannot be read or written" in error or "holds no site" in error
