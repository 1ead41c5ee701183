"""The shop file's rules for people hold at every import."""

from __future__ import annotations

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
    assert "somebody was quick" in {told for _, told, _ in old}
    assert who.startswith("P-")
    assert note.endswith("helped")


def test_dropped_columns_leave_nothing(lab, calib):
    add_rules(lab, 'drop_columns = ["note", "mood"]')
    calib("import later.csv")
    assert people(lab)[-1][1:] == (None, None)
    stored = (lab / STORE_NAME).read_bytes()
    assert b"tired" not in stored
    assert b"helped" not in stored
