"""The shop file's rules for people hold at every import."""

from __future__ import annotations

import re
from datetime import datetime

import trimesh

from calib.store.drift_memory import accept_change
from calib.store.open_store import STORE_NAME, open_store

LATER = (
    "build_id,stage,started_at,ended_at,station,operator,note,mood\n"
    "B2,inspection,2026-03-01T08:00,2026-03-01T08:20,bench,Ben Reed,Ada helped,tired\n"
)


def add_rules(lab, rules):
    path = lab / "shop.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('names = "alias"', f'names = "alias"\n{rules}\n#'), "utf-8"
    )
    (lab / "later.csv").write_text(LATER)


def people(lab):
    with open_store(lab) as con:
        return con.execute("SELECT operator, note, extra FROM stage_run ORDER BY started_at").fetchall()


def test_people_are_kept_for_so_many_months(lab, calib):
    add_rules(lab, "keep_months = 1")
    calib("import later.csv")
    *old, (who, note, _) = people(lab)
    assert [operator for operator, _, _ in old] == [None] * 4
    assert "somebody was quick" in {answer for _, answer, _ in old}
    assert who.startswith("P-")
    assert note.endswith("helped")


def test_dropped_columns_leave_nothing(lab, calib):
    add_rules(lab, 'drop_columns = ["note", "mood"]')
    calib("import later.csv")
    assert people(lab)[-1][1:] == (None, None)
    stored = (lab / STORE_NAME).read_bytes()
    assert b"tired" not in stored
    assert b"helped" not in stored


def test_names_in_notes_beside_a_command_are_aliases_and_those_known_later_too(lab, calib, document):
    trimesh.creation.box((10, 10, 10)).export(lab / "box.stl")
    quoted = document("quote box.stl --qty 1 --process VPP")["quote_id"]
    accepted = document(f"accept {quoted} --note", "Ada Quill agreed, Zed asked")
    assert "Ada" not in accepted["note"] and accepted["note"].endswith(" agreed, Zed asked")
    with open_store(lab) as con:
        accept_change(con, "VPP", "packing", "2026-01-05", 20.0, datetime(2026, 1, 7), "Zed Moss saw it")
    (lab / "later.csv").write_text(LATER.replace("Ben Reed", "Zed Moss"))
    calib("import later.csv")
    with open_store(lab) as con:
        notes = con.execute("SELECT note FROM quote UNION ALL SELECT note FROM accepted_change").fetchall()
    assert len(notes) == 2 and not any("Zed" in note or "Moss" in note for (note,) in notes)
    calib("forget --yes", "Ada Quill")
    assert b"Quill" not in (lab / STORE_NAME).read_bytes()
    (alias,) = re.findall(r"P-\w{6}", accepted["note"])
    with open_store(lab) as con:
        assert alias not in str(con.execute("SELECT note FROM quote").fetchall())
