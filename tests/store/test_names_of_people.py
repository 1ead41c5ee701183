"""Names of people in any script are hidden and forgotten wherever they stand; nothing else is taken for a name."""

from __future__ import annotations

import csv
import io
import unicodedata

import duckdb
import pytest
from shop_folder import take_in, write

from calib.errors import UsageError
from calib.store.backup import backup_store
from calib.store.check import check_store
from calib.store.export import export_all
from calib.store.forget import forget_person
from calib.store.open_store import open_store
from calib.store.set_aside import list_set_aside

NAMES = ("Émile Roux", "José", "Ann Peñaé", "İlkay Öz", "Ольга Иванова", "Σωκράτης Ωνάσης", "李伟", "さくら", "민준", "प्रिया", "نورة",
         "Ada Q.", "Bo Li", "Zoë", "Nguyễn Thế", "Jo Straße", "O’Neill", 'Max "Mo" Ray')  # fmt: skip
THINGS = (".", "5", "petg", "null", "B0001", "bench-1", "ext-1", "printing", "O1", "MEX", "done", "", " ", "%", "_", ".*", "E",
          "part.stl", "2026", "m")  # fmt: skip
BUILDS = "build_id,process,machine,parts,material,order_id,part_file\nB0001,MEX,ext-1,5,petg,O1,part.stl\n"
FORMS = (str, str.upper, lambda name: unicodedata.normalize("NFD", name))


def as_csv(head, rows):
    out = io.StringIO()
    csv.writer(out).writerows([head, *rows])
    return out.getvalue()


def a_lab(tmp_path, mode, names=NAMES):
    """A store in which each of the names stands in every place that holds text; events come before anybody is known."""
    shop = tmp_path / "shop"
    shop.mkdir()
    events = [
        (f"2026-01-05T08:{n:02d}", "ext-1", f"{name} put in a lamp", form(name)) for n, name, form in forms(names)
    ]
    stages = [
        ("B0001", "sanding", f"2026-01-06T{n // 4:02d}:{n % 4 * 15:02d}", f"2026-01-06T{n // 4:02d}:{n % 4 * 15 + 14:02d}",
         "bench-1", name, f"said {form(name)}, 5 of petg", f"by\n{form(name)}\ttoo", form(name))
        for n, name, form in forms(names)
    ]  # fmt: skip
    head = ["build_id", "stage", "started_at", "ended_at", "station", "operator", "note", "mood", "customer"]
    shifted = [
        (*row[:4], row[5], f"{n}", "", "", "") if n % 2 else (*row[:3], "soon", row[5], row[4], row[6], row[7], "")
        for n, row in enumerate(stages)
    ]
    take_in(shop, write(tmp_path, "events.csv", as_csv(["at", "machine", "what", "note"], events)), people_names=mode)
    take_in(
        shop,
        write(tmp_path, "builds.csv", BUILDS),
        write(tmp_path, "stages.csv", as_csv(head, stages)),
        write(tmp_path, "shifted.csv", as_csv(head, shifted)),
        people_names=mode,
    )
    later = [(*row[:3], row[3][:-2] + "13", *row[4:]) for row in stages]
    take_in(shop, write(tmp_path, "later.csv", as_csv(head, later)), people_names=mode)
    return shop


def forms(names):
    return [(n, name, FORMS[n % len(FORMS)]) for n, name in enumerate(names)]


def all_text(con):
    """All that a store holds as text, but for what it calls its own tables and columns."""
    found = con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE NOT internal AND table_name <> 'setting'"
    ).fetchall()
    rows = [con.execute(f"SELECT t::VARCHAR FROM {table} t").fetchall() for (table,) in found]
    return plain("\n".join(text for part in rows for (text,) in part if text))


def plain(text):
    return unicodedata.normalize("NFC", text).casefold()


def left_of(names, text):
    return [name for name in names if plain(name) in text]


def test_by_alias_no_name_is_stored_or_listed(tmp_path):
    shop = a_lab(tmp_path, "alias")
    with open_store(shop) as con:
        assert left_of(NAMES, all_text(con)) == []
        assert left_of(NAMES, plain(str(list_set_aside(con)))) == []
        assert con.execute(
            "SELECT count(*), count(DISTINCT operator) FILTER (station = 'bench-1') FROM stage_run"
        ).fetchone() == (
            len(NAMES) + len(NAMES) // 2,
            len(NAMES),
        )
        for table in ("build", "event", "stage_run"):
            assert "petg" in all_text(con) and "bench-1" in all_text(con), table
        assert check_store(con) == []


def test_what_names_nobody_is_shown_in_a_row_to_mend_and_who_becomes_known_later_is_hidden(tmp_path):
    shop = tmp_path / "shop"
    shop.mkdir()
    head = ["build_id", "stage", "started_at", "ended_at", "station", "operator"]
    soon = ["yesterday", "Yesterday", "half past", "5.1.", "Mara Ilves", "Jonas"]
    rows = [("B0001", "sanding", f"2026-01-0{n + 1}T08:00", one, "Jonas", "7") for n, one in enumerate(soon)]
    take_in(shop, write(tmp_path, "builds.csv", BUILDS), write(tmp_path, "stages.csv", as_csv(head, rows)))
    with open_store(shop) as con:
        shown = [row["value"] for row in list_set_aside(con)]
    assert shown[:4] == soon[:4] and shown[4].startswith("P-") and shown[5] == "Jonas"
    good = ("B0001", "sanding", "2026-01-05T08:00", "2026-01-05T08:30", "bench-1", "Jonas")
    take_in(shop, write(tmp_path, "later.csv", as_csv(head, [good])))
    with open_store(shop) as con:
        assert left_of(["Jonas"], all_text(con)) == []


@pytest.mark.parametrize("names", [NAMES[:2], pytest.param(NAMES[2:], marks=pytest.mark.slow)], ids=["two", "all"])
@pytest.mark.parametrize("mode", ["alias", "named"])
def test_forgotten_names_are_nowhere(tmp_path, mode, names):
    shop = a_lab(tmp_path, mode, names)
    with open_store(shop) as con:
        backup_store(con, shop)
        export_all(con, shop / "out")
        before = con.execute("SELECT count(*) FROM stage_run").fetchone()
    (shop / "backups" / "20260101T000000-x.unfinished").mkdir()
    for name in names:
        document = forget_person(shop, name, backups=True)
        assert document["cells"] > 0, name
        assert mode == "alias" or any("stages.csv" in one for one in document["files"]), name
        with pytest.raises(UsageError, match="Nobody called"):
            forget_person(shop, name, backups=True)
    with open_store(shop) as con:
        text = all_text(con)
        assert left_of(names, text) == []
        assert con.execute("SELECT count(*) FROM stage_run").fetchone() == before
        assert check_store(con) == []
    for path in (shop / "backups").rglob("*.parquet"):
        rows = duckdb.sql(f"SELECT t::VARCHAR FROM '{path}' t").fetchall()
        assert left_of(names, plain("\n".join(text for (text,) in rows))) == [], path
    assert not list((shop / "backups").glob("*.unfinished"))


@pytest.mark.parametrize("mode", ["alias", "named"])
def test_things_are_no_people(tmp_path, mode):
    shop = a_lab(tmp_path, mode, NAMES[:2])
    with open_store(shop) as con:
        before = all_text(con)
    for thing in THINGS:
        with pytest.raises(UsageError, match=r"No name|Nobody called"):
            forget_person(shop, thing)
    with open_store(shop) as con:
        assert all_text(con) == before


def test_a_person_who_is_called_like_a_thing_is_taken_out_of_peoples_fields_only(tmp_path):
    shop = a_lab(tmp_path, "named", ("petg", "5", "Ray Petg"))
    for name in ("petg", "5", "Ray Petg"):
        forget_person(shop, name)
    with open_store(shop) as con:
        assert con.execute("SELECT DISTINCT material FROM build").fetchall() == [("petg",)]
        assert con.execute(
            "SELECT count(*) FROM stage_run WHERE operator IS NOT NULL AND station = 'bench-1'"
        ).fetchone() == (0,)
        assert con.execute("SELECT count(*) FROM stage_run WHERE note LIKE '%5 of petg'").fetchone()[0] > 0


@pytest.mark.slow
@pytest.mark.parametrize("page", ["cp1250", "cp1251", "cp437", "mac_roman", "utf-16", "gb18030", "shift_jis", "koi8_r"])
def test_names_in_logs_of_other_code_pages(tmp_path, page):
    named = [name for name in NAMES if name.encode(page, "replace").decode(page) == name]
    stages = [("B0001", "sanding", f"2026-01-{n + 1:02d}", "5", name, f"by {name}.") for n, name in enumerate(named)]
    log = tmp_path / "stages.csv"
    log.write_bytes(as_csv(["build_id", "stage", "date", "work_min", "operator", "note"], stages).encode(page))
    shop = tmp_path / "shop"
    shop.mkdir()
    take_in(shop, write(tmp_path, "builds.csv", BUILDS), log, people_names="named")
    (shop / "copy.csv").write_bytes(log.read_bytes())
    in_runs = []
    for name in named:
        would = forget_person(shop, name, dry_run=True)  # building the store anew for each would take minutes
        assert would["files"] == [str(shop / "copy.csv")] and would["cells"] > 0, name
        in_runs += [name] * any(
            (place["table"], place["column"]) == ("stage_run", "operator") for place in would["places"]
        )
    forget_person(shop, in_runs[-1])
    with open_store(shop) as con:
        (left,) = con.execute("SELECT count(*) FROM stage_run WHERE operator IS NOT NULL").fetchone()
    assert left == len(in_runs) - 1  # the others are among the rows set aside
