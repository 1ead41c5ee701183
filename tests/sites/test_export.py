"""What a lab sends to its company: only what changed, whole or not there, nothing of it read that is not whole."""

from __future__ import annotations

import json
import shutil

import duckdb
import pytest
from made_labs import make_lab, write_logs

from calib.cli.app import run
from calib.errors import ShopFileError, StoreError, UsageError
from calib.results import PART
from calib.store.open_store import open_store
from calib.store.runs import find_runs
from calib.workflow.company import load_site, send_site
from calib.workflow.import_logs import import_logs
from calib.workflow.keeping import take_back


def rows_in(company, table="stage_run"):
    """As anybody reads it who has DuckDB and nothing of calib."""
    place = f"{company}/logs/{table}/*/*/*.parquet"
    found = duckdb.sql(
        f"SELECT site, count(*) FROM read_parquet('{place}', hive_partitioning = true) GROUP BY 1"
    ).fetchall()
    return dict(found)


def manifest_of(company, site="S1"):
    return company / "sites" / site / "manifest.json"


def a_month(company, site="S1"):
    return sorted((company / "logs" / "stage_run" / f"site={site}").glob("month=*/*.parquet"))[0]


def test_duckdb_reads_the_store_as_it_is(company):
    assert rows_in(company / "all") == {"S1": 144, "S2": 144, "S3": 144}
    assert rows_in(company / "all", "build") == {"S1": 36, "S2": 36, "S3": 36}


def test_a_second_export_writes_what_has_changed_only(company):
    lab, store = company / "lab1", company / "all"
    assert send_site(lab, store)["files"] == []
    import_logs(lab, write_logs(lab, 1, 1, first=6))
    again = send_site(lab, store)
    assert {path.split("/")[1] for path in again["files"]} == {"stage_run", "build"}
    assert all("month=2026-02" in path for path in again["files"])
    assert rows_in(store)["S1"] == 168


def test_rows_taken_back_are_taken_back_in_the_company_too(company, tmp_path):
    lab, store = company / "lab1", company / "all"
    import_logs(lab, write_logs(lab, 1, 4, first=6))
    send_site(lab, store)
    load_site(store, "S1", tmp_path / "work")
    take_back(lab)
    gone = send_site(lab, store)["taken_away"]
    assert any("month=2026-03" in path for path in gone)
    load_site(store, "S1", tmp_path / "work")
    assert rows_in(store)["S1"] == len(runs_of(tmp_path / "work")) == 144


def runs_of(folder):
    with open_store(folder, read_only=True) as con:
        return find_runs(con).drop(columns=["source_file", "line", "imported_at", "review"])


def test_the_company_side_reads_the_same_runs_as_the_lab(company, tmp_path):
    _, changed, strange = load_site(company / "all", "S2", tmp_path / "work")
    assert (changed, strange) == (True, [])
    here, there = runs_of(company / "lab2"), runs_of(tmp_path / "work")
    assert here.astype(str).equals(there.astype(str))
    assert load_site(company / "all", "S2", tmp_path / "work")[1] is False


def test_what_people_wrote_stays_in_the_lab(company):
    lab, store = company / "lab1", company / "all"
    log = lab / "noted.csv"
    log.write_text("build_id,stage,started_at,ended_at,operator,note,Customer\nL1-0-0,packing,2026-01-06T08:00,2026-01-06T09:00,Ada,for Quill,Quill & Sons\n")  # fmt: skip
    import_logs(lab, [log])
    send_site(lab, store)
    place = f"{store}/logs/stage_run/site=S1/*/*.parquet"
    names = {name for name, *_ in duckdb.sql(f"DESCRIBE FROM '{place}'").fetchall()}
    assert names.isdisjoint({"note", "extra", "raw_hash"})
    text = str(duckdb.sql(f"SELECT DISTINCT operator FROM '{place}'").fetchall())
    assert "Ada" not in text and "P" in text


@pytest.mark.parametrize(
    ("harm", "sentence"),
    [
        (lambda path: path.write_bytes(path.read_bytes()[:-40]), "is damaged or cut short"),
        (lambda path: path.write_bytes(b""), "is damaged or cut short"),
        (lambda path: path.unlink(), "is missing"),
    ],
)
def test_a_month_that_is_not_whole_is_a_sentence_and_the_next_export_heals_it(company, tmp_path, harm, sentence):
    store = company / "all"
    load_site(store, "S1", tmp_path / "work")
    before = runs_of(tmp_path / "work")
    manifest = manifest_of(store)
    manifest.write_text(manifest.read_text() + "\n")  # another manifest: something was sent since
    harm(a_month(store))
    with pytest.raises(StoreError, match=rf"Site S1: logs/stage_run/.*parquet {sentence}"):
        load_site(store, "S1", tmp_path / "work")
    assert runs_of(tmp_path / "work").astype(str).equals(before.astype(str))
    assert len(send_site(company / "lab1", store)["files"]) == 1
    load_site(store, "S1", tmp_path / "work")


def test_a_newer_site_and_a_manifest_cut_short_are_sentences(company, tmp_path):
    manifest = manifest_of(company / "all")
    answer = json.loads(manifest.read_text())
    manifest.write_text(json.dumps(answer | {"schema": 900}))
    with pytest.raises(StoreError, match=r"Site S1 sends tables of version 1\.900; this calib knows"):
        load_site(company / "all", "S1", tmp_path / "work")
    manifest.write_text(manifest.read_text()[:100])
    with pytest.raises(StoreError, match=r"Site S1: manifest\.json cannot be read"):
        load_site(company / "all", "S1", tmp_path / "work")


def test_a_month_that_is_there_twice_counts_once(company, tmp_path):
    month = a_month(company / "all")
    shutil.copyfile(month, month.with_name("copy.parquet"))
    _, _, strange = load_site(company / "all", "S1", tmp_path / "work")
    assert len(strange) == 1
    assert "copy.parquet is not in its manifest and was left alone" in strange[0]
    assert len(runs_of(tmp_path / "work")) == 144
    assert any("copy.parquet" in path for path in send_site(company / "lab1", company / "all")["taken_away"])


def test_an_export_that_was_killed_leaves_nothing_that_counts(company, tmp_path):
    left = a_month(company / "all").with_name(f".0123{PART}")
    left.write_bytes(b"half")
    load_site(company / "all", "S1", tmp_path / "work")
    send_site(company / "lab1", company / "all")
    assert not left.exists()


def test_two_labs_cannot_have_one_name(company):
    with pytest.raises(UsageError, match="Another lab is S1"):
        send_site(company / "lab2", company / "all", "S1")
    assert rows_in(company / "all")["S1"] == 144


def test_names_are_aliases_where_the_company_says_so(company, tmp_path):
    store = tmp_path / "other"
    store.mkdir()
    (store / "company.toml").write_text('[sites]\nnames = "alias"\n')
    lab = make_lab(tmp_path / "new", 7, weeks=1)
    with pytest.raises(UsageError, match="wants aliases"):
        send_site(lab, store, "Harbour")
    first = send_site(lab, store)["site"]
    assert first.startswith("site-")
    assert send_site(lab, store)["site"] == first
    assert send_site(lab, tmp_path / "open", "Harbour")["site"] == "Harbour"
    assert send_site(lab, store)["site"].startswith("site-")
    (store / "company.toml").write_text("sites = 3\n")
    with pytest.raises(ShopFileError, match=r"company\.toml"):
        send_site(lab, store)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["export"], "wants one place"),
        (["export", "out", "--company", "all"], "wants one place"),
        (["export", "--company", "all", "--site", "../up"], "cannot name a site"),
        (["export", "--company", "lab2"], "is a shop's own folder"),
    ],
)
def test_wrong_use_is_one_sentence(company, monkeypatch, capsys, words, sentence):
    monkeypatch.chdir(company)
    assert run([*words, "--shop", "lab1"]) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1
