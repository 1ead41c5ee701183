"""Faults of a night and of an export: a sentence with site, file and remedy; the others go on; the next night heals it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import signal

import duckdb
import pandas as pd
import pytest
from made_labs import make_lab
from test_export import a_month, manifest_of, runs_of
from test_night import fit_of, states

from calib.calibration.priors import MOST as MOST_TAKEN
from calib.errors import DamagedStoreError, StoreError, UsageError
from calib.results import PART
from calib.sites.company_report import company_document
from calib.sites.laws import MOST, laws_of
from calib.sites.local import _context
from calib.sites.night import known_sites
from calib.sites.task import DONE, LEFT_OUT, UNCHANGED, Task, run_task
from calib.store.open_store import open_store
from calib.workflow.company import load_site, read_rows, send_site
from calib.workflow.keeping import take_back


def edit_manifest(company, change, site="S2"):
    manifest = json.loads(manifest_of(company, site).read_text())
    change(manifest)
    manifest_of(company, site).write_text(json.dumps(manifest))


def name_as_sent(company, path, site="S2"):
    """The manifest says that the file is as it was sent."""
    sent = {"rows": 72, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    edit_manifest(
        company, lambda manifest: manifest["files"].update({path.relative_to(company).as_posix(): sent}), site
    )


def send_rows(company, query):
    """A site sends a month of other rows, whole and with its right digest; {} is the month as it was."""
    path = a_month(company, "S2")
    new = path.with_suffix(".new")
    rows = query.format(f"read_parquet('{path}', hive_partitioning = false)")
    duckdb.sql(f"COPY ({rows}) TO '{new}' (FORMAT parquet)")
    new.replace(path)
    name_as_sent(company, path)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("SELECT 1 AS a, 'x' AS b", r"2026-01/\w+\.parquet cannot be taken in: .*\"a\""),
        ("SELECT *, 1 AS newer FROM {}", r"2026-01/\w+\.parquet cannot be taken in: .*\"newer\""),
        ("SELECT * REPLACE ('soon' AS started_at) FROM {}", r"2026-01/\w+\.parquet cannot be taken in: .*soon"),
        ("SELECT * REPLACE (NULL AS stage) FROM {}", r"2026-01/\w+\.parquet cannot be taken in: .*stage_run\.stage"),
        ("SELECT * FROM {} UNION ALL SELECT * FROM {}", "every row of stage_run has a key of its own"),
        ("SELECT * REPLACE (ended_at + INTERVAL 1 DAY AS started_at) FROM {}", "every run ends after it starts"),
    ],
)
def test_rows_that_are_not_those_of_a_lab_are_named_and_change_nothing(learned, query, says):
    company, work = learned / "all", learned / "all" / "work" / "S2"
    before = runs_of(work)
    send_rows(company, query.replace("{}", "{0}"))
    with pytest.raises(
        StoreError,
        match=rf"Site S2: .*{says}.* Remove its manifest\.json, so that it sends all anew: calib export --company DIR",
    ):
        load_site(company, "S2", work)
    assert runs_of(work).astype(str).equals(before.astype(str))
    manifest_of(company, "S2").unlink()
    send_site(learned / "lab2", company)
    load_site(company, "S2", work)


def test_a_file_that_is_no_parquet_is_named_though_its_digest_is_right(learned):
    company = learned / "all"
    a_month(company, "S2").write_bytes(b"hello")
    name_as_sent(company, a_month(company, "S2"))
    assert re.search(r"^logs/stage_run/\S+\.parquet cannot be taken in", run_task(Task(str(company), "S2", "fit")).says)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda m: m["files"].update({"logs/stage_run/../../../x.parquet": {"rows": 1, "sha256": "0"}}), "is no file of this site"),
        (lambda m: m["files"].update({"logs/build/site=S1/month=2026-01/0a.parquet": {"rows": 1, "sha256": "0"}}), "is no file of this site"),
        (lambda m: m["files"].update({"logs/build/site=S2/month=2026-01/0a.parquet": {"rows": 1, "sha256": "0"}}), "is a second file of its month"),
        (lambda m: [file.update(rows="many") for file in m["files"].values()], "without rows and sha256"),
        (lambda m: m.update(files=[1]), "lists no files"),
        (lambda m: m.update(shop="../S1/shop.toml"), "its shop file is '../S1/shop.toml'"),
        (lambda m: m.update(site="S1"), "its site is 'S1'"),
        (lambda m: m.update(lab=7, shop=None), "its shop file is None"),
    ],
)  # fmt: skip
def test_a_manifest_that_no_export_writes_is_a_sentence(company, tmp_path, change, says):
    edit_manifest(company / "all", change)
    with pytest.raises(StoreError, match=r"Site S2: manifest\.json does not hold what a site sends") as caught:
        load_site(company / "all", "S2", tmp_path / "work")
    assert says in caught.value.message
    assert not (tmp_path / "work").exists()


@pytest.mark.parametrize("name", ["S2'; DROP TABLE fit; --", "<b>S2", "a b", "site=S2", "-S2", "S" * 65])
def test_a_folder_that_cannot_name_a_site_is_left_out(company, name):
    shutil.copytree(company / "all" / "sites" / "S2", company / "all" / "sites" / name)
    assert name in known_sites(company / "all")
    for what in ("fit", "drift"):
        outcome = run_task(Task(str(company / "all"), name, what))
        assert outcome.state == LEFT_OUT
        assert "A fault of calib" not in outcome.says
    assert not (company / "all" / "work").exists()


def test_a_site_that_vanishes_is_named_each_night_and_keeps_its_results(learned, night):
    company = learned / "all"
    shutil.move(company / "sites" / "S2", learned / "aside")
    for _ in range(2):
        document = night(company, "fit")
        assert states(document) == {"S1": UNCHANGED, "S2": LEFT_OUT, "S3": UNCHANGED}
        assert "Site S2 has no manifest.json in sites/S2" in document["sites"][1]["says"]
    assert {"site": "S2", "says": document["sites"][1]["says"]} in company_document(company)["left_out"]
    shutil.move(learned / "aside", company / "sites" / "S2")
    assert states(night(company, "fit"))["S2"] == UNCHANGED


@pytest.mark.slow
def test_results_that_are_lost_or_cut_short_are_made_again(learned, night):
    company = learned / "all"
    results = company / "results"
    whole = {path: duckdb.sql(f"FROM '{path}' ORDER BY ALL").fetchall() for path in results.glob("*/site=*/*.parquet")}
    (results / "effects" / "site=S1" / "rows.parquet").unlink()
    cut = results / "effects" / "site=S2" / "rows.parquet"
    cut.write_bytes(cut.read_bytes()[:-30])
    assert {one["site"]: one["says"] for one in company_document(company)["left_out"]} == {
        "S2": "results/effects/site=S2/rows.parquet is not whole: calib sites fit makes it anew.",
    }
    assert states(night(company, "fit")) == {"S1": DONE, "S2": DONE, "S3": UNCHANGED}
    assert whole == {path: duckdb.sql(f"FROM '{path}' ORDER BY ALL").fetchall() for path in whole}
    assert company_document(company)["left_out"] == []


def test_files_that_are_not_whole_cost_no_other_its_rows(tmp_path):
    paths = [tmp_path / f"{number}.parquet" for number in range(4)]
    for path in paths:
        duckdb.sql(f"COPY (SELECT '{path.stem}' AS site) TO '{path}' (FORMAT parquet)")
    paths[1].write_bytes(paths[1].read_bytes()[:20])
    paths[2].unlink()
    rows, broken = read_rows(paths)
    assert rows["site"].tolist() == ["0", "3"]
    assert broken == paths[1:3]


def harm_bytes(store):
    raw = bytearray(store.read_bytes())
    raw[3 * 4096 :] = bytes(len(raw) - 3 * 4096)
    store.write_bytes(raw)


@pytest.mark.slow
@pytest.mark.parametrize("harm", [harm_bytes, lambda store: store.unlink()])
def test_a_store_here_that_is_damaged_or_gone_is_made_anew(learned, night, harm):
    work = learned / "all" / "work" / "S2"
    before = fit_of(work)
    harm(work / "shop.duckdb")
    replay = run_task(Task(str(learned / "all"), "S2", "backtest", 1))
    assert (replay.state, replay.says[:8]) == (LEFT_OUT, "work/S2:")
    assert replay.says.endswith("calib sites fit makes it anew.")
    assert states(night(learned / "all", "fit"))["S2"] in (DONE, UNCHANGED)
    pd.testing.assert_frame_equal(fit_of(work)["effects"], before["effects"])


def test_a_store_of_a_newer_calib_here_is_kept(learned):
    work = learned / "all" / "work" / "S2" / "shop.duckdb"
    with duckdb.connect(str(work)) as con:
        con.execute("INSERT INTO schema_version VALUES (900, 'later.sql', now()::TIMESTAMP)")
    before = work.read_bytes()
    assert "version 900; this calib knows" in run_task(Task(str(learned / "all"), "S2", "fit")).says
    assert work.read_bytes() == before


def test_a_shop_file_of_another_state_than_the_rows_is_not_taken_for_this_one(learned):
    # A night that is killed between shop file and rows, after which the site takes back what it had sent meanwhile.
    work = learned / "all" / "work" / "S2"
    right = (work / "shop.toml").read_text()
    (work / "shop.toml").write_text(right + "\n# sent and taken back\n")
    assert load_site(learned / "all", "S2", work)[1]
    assert (work / "shop.toml").read_text() == right


def test_an_export_that_ends_while_a_night_reads_is_read_in_its_place(company, tmp_path, monkeypatch):
    lab, place = company / "lab2", company / "all"
    import calib.store.company_load as loading

    plain = loading._check_files

    def meanwhile(*args):
        monkeypatch.setattr(loading, "_check_files", plain)
        take_back(lab)
        make = make_lab(tmp_path / "again", 2, weeks=1)
        (make / "shop.duckdb").replace(lab / "spare.duckdb")
        send_site(lab, place)
        return plain(*args)

    monkeypatch.setattr(loading, "_check_files", meanwhile)
    sent, changed, _ = load_site(place, "S2", tmp_path / "work")
    assert (changed, sent.rows) == (True, 0)


def test_what_a_killed_night_was_writing_is_swept(learned, night):
    left = [learned / "all" / place / f".0a{PART}" for place in ("results", "results/fit/site=S1", "work/S1")]
    for path in left:
        path.write_bytes(b"half")
    night(learned / "all", "fit")
    assert not any(path.exists() for path in left)


def limited(task, most):
    """Do the task where no file can grow beyond so many bytes, as on a disk that is full by then."""
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    outcome = run_task(task)
    os._exit(0 if outcome.state == LEFT_OUT and "A fault of calib" not in outcome.says else 1)


@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="no limits of files here")
@pytest.mark.parametrize("most", [0, 2000, 100_000])
def test_a_full_disk_leaves_a_site_out_with_a_sentence(company, most):
    process = _context().Process(target=limited, args=(Task(str(company / "all"), "S2", "fit"), most))
    process.start()
    process.join()
    assert process.exitcode == 0
    assert not list((company / "all").glob("results/*/site=S2/rows.parquet"))


def test_a_prior_that_cannot_be_written_costs_no_site_its_night(learned, night):
    from calib.sites.prior_file import NAME

    (learned / "all" / "results" / NAME).mkdir()
    document = night(learned / "all", "fit")
    assert states(document) == dict.fromkeys(("S1", "S2", "S3"), UNCHANGED)
    assert "prior.json was not written anew: " in document["prior"]["says"]
    (learned / "all" / "results" / NAME).rmdir()
    assert "it needs 5 sites" in night(learned / "all", "fit")["prior"]["says"]


def test_an_estimate_that_no_lab_can_have_costs_the_others_no_law():
    sane = pd.DataFrame({"part": "location", "block": "cell", "labels": "MEX\x1fprinting", "mean": 0.2, "variance": 0.01,
                         "runs": 40, "site": [f"S{number}" for number in range(9)]})  # fmt: skip
    strange = pd.concat([sane, *(sane[:1].assign(site=name, mean=mean, variance=variance) for name, mean, variance in
                        (("a", float("nan"), 0.01), ("b", 900.0, 0.01), ("c", 0.2, 0.0), ("d", 0.2, float("inf"))))])  # fmt: skip
    pd.testing.assert_frame_equal(laws_of(strange), laws_of(sane))
    assert MOST == MOST_TAKEN


def test_names_that_differ_in_case_only_are_refused(company, tmp_path):
    with pytest.raises(UsageError, match=r"has a site S1 already, and s1 differs from it in case only"):
        send_site(make_lab(tmp_path / "new", 7, weeks=1), company / "all", "s1")
    assert sorted(path.name for path in (company / "all" / "sites").iterdir()) == ["S1", "S2", "S3"]


def test_a_newer_labs_name_is_not_taken_by_an_older_calib(company):
    edit_manifest(company / "all", lambda manifest: manifest.update(format=9, schema=900))
    with pytest.raises(UsageError, match="Another lab is S2"):
        send_site(company / "lab1", company / "all", "S2")


def test_a_shop_is_refused_as_a_companys_folder_before_anything_is_made_in_it(company):
    with pytest.raises(UsageError, match="is a shop's own folder"):
        send_site(company / "lab1", company / "lab2")
    assert not (company / "lab2" / "sites").exists()


def test_a_lab_without_its_shop_file_is_a_sentence_and_what_it_sent_stays(company):
    (company / "lab1" / "shop.toml").unlink()
    before = manifest_of(company / "all").read_bytes()
    with pytest.raises(StoreError, match=r"lab1/shop\.toml cannot be read or written: No such file"):
        send_site(company / "lab1", company / "all")
    assert manifest_of(company / "all").read_bytes() == before


def test_a_store_that_is_no_damaged_one_is_not_called_so(company):
    with pytest.raises(StoreError) as caught, open_store(company / "lab9"):
        pass
    assert not isinstance(caught.value, DamagedStoreError)


@pytest.mark.slow
def test_a_clock_that_is_set_back_changes_nothing(learned, night):
    company = learned / "all"
    effects = company / "results" / "effects" / "site=S2" / "rows.parquet"
    before = duckdb.sql(f"FROM '{effects}' ORDER BY ALL").fetchall()
    with open_store(company / "work" / "S2") as con:
        con.execute("UPDATE fit SET fitted_at = fitted_at + INTERVAL 9 YEAR")
    for path in company.rglob("*"):
        os.utime(path, (4e9, 4e9))
    manifest_of(company, "S2").write_text(manifest_of(company, "S2").read_text() + "\n")
    assert states(night(company, "fit")) == {"S1": UNCHANGED, "S2": DONE, "S3": UNCHANGED}
    assert duckdb.sql(f"FROM '{effects}' ORDER BY ALL").fetchall() == before
