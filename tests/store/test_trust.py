"""A kill at any moment, two imports at once, a folder that cannot be written, files that are no logs at all."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import suppress
from itertools import islice

import pytest
from bad_files import bad_files
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop_folder import HOURS, counts, take_in, write

from calib.errors import CalibError, StoreError, UsageError
from calib.store.backup import backup_store
from calib.store.check import check_store
from calib.store.forget import forget_person
from calib.store.imports import ImportOptions, import_files
from calib.store.one_writer import LOCK_NAME
from calib.store.open_store import STORE_NAME, open_store
from calib.store.restore import restore_store
from calib.store.tables import keyed

BUILDS = "build_id,process,machine,parts\n" + "".join(f"B{i},SLA,M1,3\n" for i in range(300))
STAGES = "build_id,stage,started_at,ended_at,station,operator\n" + "".join(
    f"B{i % 300},{stage},2026-01-{1 + i % 28:02d}T{8 + place}:00,2026-01-{1 + i % 28:02d}T{8 + place}:30,M1,Ada\n"
    for i in range(300)
    for place, stage in enumerate(("printing", "unloading", "washing", "drying"))
)
LONG = os.environ.get("CALIB_LONG") == "1"  # 200 kills and ten thousand bad files instead of 20 and 300
CHILDREN = multiprocessing.get_context("spawn" if os.name == "nt" else "forkserver")
CHILDREN.set_forkserver_preload(
    ["calib.store.imports", "calib.store.forget", "calib.workflow.keeping", "calib.workflow.import_logs"]
)


def child(does, *arguments):
    """A process of its own that does it, with all modules loaded."""
    process = CHILDREN.Process(target=does, args=arguments)
    process.start()
    return process


def takes_in(shop, *paths):
    import_files(shop, list(paths), ImportOptions("Europe/Berlin"))


def forgets(shop):
    forget_person(shop, "Ada", backups=True)


def rows_of(folder):
    with open_store(folder) as con:
        assert check_store(con) == []
        return con.execute(
            "SELECT (SELECT count(*) FROM build), (SELECT count(*) FROM stage_run), (SELECT count(*) FROM log_file)"
        ).fetchone()


def run(does, *arguments, kill_after=None):
    """Let a child begin, and kill it some seconds later; returns whether it was done by then, and how long it took to be [s]."""
    process = child(does, *arguments)
    began = time.monotonic()
    if kill_after is not None:
        time.sleep(kill_after)
        process.kill()
    process.join()
    assert process.exitcode in (0, -signal.SIGKILL)
    return process.exitcode == 0, time.monotonic() - began


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no signal 9 there")
def test_a_kill_leaves_the_store_as_before_or_after(tmp_path):
    draw, times = random.Random(7), 200 if LONG else 20
    builds, stages = write(tmp_path, "builds.csv", BUILDS), write(tmp_path, "stages.csv", STAGES)
    before = tmp_path / "before"
    before.mkdir()
    take_in(before, builds)
    cut_short, longest = 0, None
    for count in range(1 + times):
        shop = shutil.copytree(before, tmp_path / f"shop{count}")
        kill_after = longest and draw.random() * longest  # the first shows how long it takes
        done, took = run(takes_in, shop, stages, kill_after=kill_after)
        longest, cut_short = longest or took, cut_short + (not done)
        assert rows_of(shop) in ((300, 0, 1), (300, 1200, 2))
        take_in(shop, stages)
        assert rows_of(shop)[:2] == (300, 1200)
    assert cut_short >= times // 4


def runs_of(folder, who):
    with open_store(folder) as con:
        assert check_store(con) == []
        return con.execute("SELECT count(*) FROM stage_run WHERE operator = ?", [who]).fetchone()[0]


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no signal 9 there")
def test_a_kill_while_forgetting_leaves_the_person_wholly_or_not_at_all(tmp_path):
    draw, shop = random.Random(4), tmp_path / "shop"
    shop.mkdir()
    take_in(shop, write(tmp_path, "builds.csv", BUILDS), write(tmp_path, "stages.csv", STAGES + "B1,drying,,,,Bo\n"))
    with open_store(shop) as con:
        who = con.execute("SELECT operator FROM stage_run LIMIT 1").fetchone()[0]
        backup_store(con, shop)
    ends, longest = Counter(), None
    for count in range(61 if LONG else 9):
        copy = shutil.copytree(shop, tmp_path / f"copy{count}")
        _, took = run(forgets, copy, kill_after=longest and draw.random() * longest)
        longest = longest or took
        left = runs_of(copy, who)
        assert left in (0, 1200)
        assert left or who.lower().encode() not in (copy / STORE_NAME).read_bytes().lower()
        with suppress(UsageError):  # nobody of that name where it was done before the kill
            forget_person(copy, "Ada", backups=True)
        assert who.lower().encode() not in (copy / STORE_NAME).read_bytes().lower()
        assert {path.name for path in copy.iterdir()} == {STORE_NAME, LOCK_NAME, "backups"}
        restore_store(copy)
        assert runs_of(copy, who) == 0
        ends["there" if left else "gone"] += 1
        shutil.rmtree(copy)
    assert min(ends["there"], ends["gone"]) >= 1


def test_imports_at_once_all_end_up_in(tmp_path):
    shop = tmp_path / "shop"
    shop.mkdir()
    take_in(shop, write(tmp_path, "builds.csv", BUILDS))
    head, *lines = STAGES.splitlines(keepends=True)
    parts = [write(tmp_path, f"{first}.csv", "".join([head, *lines[first : first + 400]])) for first in (0, 400, 800)]
    children = [child(takes_in, shop, part) for part in parts]
    for process in children:
        process.join()
    assert [process.exitcode for process in children] == [0] * 3
    assert rows_of(shop) == (300, 1200, 4)


def test_a_store_that_another_program_holds_is_told_with_its_process(tmp_path):
    take_in(tmp_path, write(tmp_path, "builds.csv", BUILDS))
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('ready', flush=True); sys.stdin.readline()"
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, str(tmp_path / STORE_NAME)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    holder.stdout.readline()
    held = pytest.raises(StoreError, match=rf"is open in another program \(process {holder.pid}\)")
    with held, open_store(tmp_path, wait_s=0.2):
        pass
    holder.communicate("\n")
    assert rows_of(tmp_path)[0] == 300


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(StoreError, match="cannot be written"), open_store(tmp_path, create=True):
        pass


CORPUS = [
    b"", b"\n\n\n", b"\x00" * 100, b"build_id", b"build_id,stage\n", b"\xff\xfe", b"PK\x03\x04 broken", b"PAR1 broken PAR1",
    b"\x1f\x8b broken", b"<a/>", b"<!DOCTYPE x [<!ENTITY e 'x'>]><MTConnectStreams>&e;</MTConnectStreams>", b"{", b"[1, 2",
    b"{}\n{}\n", b'build_id,stage,started_at\n"B1,printing,2026-01-05T08:00\nB2,printing,2026-01-05T08:00\n',
    b"build_id,stage,started_at\n" + b"B1,printing," + b"9" * 200_000 + b"\n",
    b"build_id;stage;started_at;ended_at\nB1;printing;2026-01-05T08:00;2026-01-05T09:00\n",
    b"build_id,stage,stage\nB1,printing,packing\n", b"build_id,stage\r\rB1,printing\r", b'"""\n', b"a,b\n'; DROP TABLE build; --,x\n",
    "build_id,stage,note\nB1,printing,Größe\n".encode("cp1252"), "build_id,stage\nB1,printing\n".encode("utf-16"),
]  # fmt: skip


@pytest.mark.parametrize("content", CORPUS, ids=lambda c: repr(c[:24]))
def test_bad_files_end_in_a_sentence_and_a_count(tmp_path, content):
    ends_well(tmp_path, content)


def ends_well(folder, content):
    """A file is imported with all its rows counted, or refused in words; never anything else."""
    path = folder / "bad.csv"
    path.write_bytes(content)
    try:
        document = take_in(folder, path, hours=HOURS)
    except CalibError as error:
        assert error.message
    else:
        for number in range(len(document["files"])):
            counts(document, number)


LINES = st.lists(
    st.sampled_from(
        [
            b"build_id,stage,started_at,ended_at", b"B1,printing,2026-01-05T08:00,2026-01-05T09:00", b'"', b'""', b",", b";",
            b"\n", b"\r\n", b"\r", b"\x00", b"\xe4", b"\xff\xfe", b"B1+B2", b"'", b"--", b"2026-03-29T02:30", b"1,5", b"-", b"nan",
            b"\t", b"packing", b"order_id", b"9999-99-99T99:99", b"=cmd", b"\xc2\xa0", b"{", b"}", b"+", b"+B", b"work_min",
        ]
    ),
    max_size=40,
).map(b"".join)  # fmt: skip


@pytest.fixture(scope="module")
def one_shop(tmp_path_factory):
    return tmp_path_factory.mktemp("shop")


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=LINES | st.binary(max_size=300))
def test_generated_bad_files_end_in_a_sentence_and_a_count(one_shop, content):
    ends_well(one_shop, b"build_id,stage,started_at,ended_at,note\n" + content)
    ends_well(one_shop, content)


def import_bad_files(folder, count, seed):
    """Import so many bad files into one shop, 500 a call; returns how many were refused, and rows new and set aside."""
    refused, new, set_aside = 0, 0, 0
    files = bad_files(count, seed)
    while batch := list(islice(files, 500)):
        logs = folder / "logs"
        logs.mkdir()
        for number, content in enumerate(batch):
            (logs / f"{number:03d}.csv").write_bytes(content)
        document = take_in(folder, logs, hours=HOURS)
        answer = {file["path"].partition("#")[0] for file in document["files"]}
        assert len(answer) == len(batch)
        for number, file in enumerate(document["files"]):
            counts(document, number)
            refused += bool(file["error"])
            new, set_aside = new + file["rows_new"] + file["rows_held"], set_aside + file["rows_quarantined"]
            assert not file["error"] or file["error"].rstrip().endswith((".", "?"))
        assert all(row["reason"] and row["line"] > 0 for row in document["quarantine"])
        shutil.rmtree(logs)
    with open_store(folder) as con:
        assert check_store(con) == []
    return refused, new, set_aside


@pytest.mark.slow
def test_hundreds_of_bad_files_end_in_a_sentence_and_counts(tmp_path):
    assert all(import_bad_files(tmp_path, 10_000 if LONG else 300, seed=2))


def test_the_quick_and_the_careful_reader_of_a_file_agree(tmp_path, monkeypatch):
    path = write(tmp_path, "stages.csv", STAGES.replace("Ada", ' "Ada, Q." ').replace("washing,", "washng,"))
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    careful = take_in(tmp_path / "one", path)
    monkeypatch.setattr("calib.logs.read_table.DIRECT_FROM_BYTES", 0)
    quick = take_in(tmp_path / "two", path)
    assert counts(careful) == counts(quick)
    with open_store(tmp_path / "one") as a, open_store(tmp_path / "two") as b:
        for query in (
            f"SELECT row_key, line, note FROM {keyed('stages')} ORDER BY 1",
            "SELECT line, column_name, reason FROM quarantine ORDER BY ALL",
        ):
            assert a.execute(query).fetchall() == b.execute(query).fetchall()


def test_lines_of_a_file_that_the_engine_reads_in_parts_are_told_right(tmp_path):
    row = "B{},printing,2026-01-05T08:00:00,{}," + "x" * 4000 + "\n"
    path = tmp_path / "stages.csv"
    with path.open("w") as out:
        out.write("build_id,stage,started_at,attempt,note\n")
        for place in range(20_000):  # 80 MB: more than two of the engine's buffers
            out.write(row.format(place // 1000, 1 + place % 1000))
    assert take_in(tmp_path, path)["files"][0]["rows_held"] == 20_000
    with open_store(tmp_path) as con:
        wrong = "line <> 1 + 1000 * build_id[2:]::INTEGER + attempt"
        assert con.execute(f"SELECT count(*) FROM stage_run WHERE {wrong}").fetchone() == (0,)
