"""The store's invariants, each with how to mend it."""

from __future__ import annotations

from pathlib import Path

import duckdb

from calib.documents.store import Problem
from calib.store.damage import find_damage
from calib.store.ids import join_held
from calib.store.migrate import newest_version, version_of
from calib.store.tables import TABLE_OF, keyed

BACK = "Restore the last backup (calib restore), or write out what can still be read: calib export DIR."
AGAIN = "Restore the last backup, or import the logs again into a new shop."
ROW_CHECKS = [  # of rows wherever they came from
    *(
        (
            f"every row of {table} has a key of its own",
            f"SELECT row_key FROM {keyed(kind)} GROUP BY row_key HAVING count(*) > 1",
            AGAIN,
        )
        for kind, table in TABLE_OF.items()
    ),
    ("every run ends after it starts", "SELECT 1 FROM stage_run WHERE ended_at <= started_at", AGAIN),
]
CHECKS = [
    *ROW_CHECKS,
    *(
        (
            f"every row of {name} says which file it came from",
            f"SELECT 1 FROM {name} ANTI JOIN log_file USING (file_id)",
            AGAIN,
        )
        for table in TABLE_OF.values()
        for name in (table, f"{table}_history")
    ),
    (
        "every row set aside says which file it came from",
        "SELECT 1 FROM quarantine ANTI JOIN log_file USING (file_id)",
        AGAIN,
    ),
    (
        "files add up: every row read is new, corrected, repeated, held or set aside",
        "SELECT 1 FROM log_file WHERE rows_read <> rows_new + rows_corrected + rows_repeated + rows_held + rows_quarantined",
        AGAIN,
    ),
    ("every fit has its numbers", "SELECT 1 FROM fit ANTI JOIN fit_column USING (fit_id)", "Fit again: calib fit."),
    (
        "numbers belong to a fit",
        "SELECT DISTINCT fit_id FROM fit_column ANTI JOIN fit USING (fit_id)",
        "Fit again: calib fit.",
    ),
    (
        "no run is held whose build is known",
        "SELECT 1 FROM stage_run WHERE held AND build_id IN (SELECT build_id FROM build)",
        "Mended by 'mend' of this check: the run joins its build.",
    ),
]


def check_store(con: duckdb.DuckDBPyConnection, mend: bool = False, path: Path | None = None) -> list[Problem]:
    """What does not hold; empty when all is well.

    mend : join held runs whose build is known
    path : of the store's file, whose bytes are read too: where some cannot be, nothing else is looked at
    """
    broken = find_damage(con, path) if path else []
    if broken:
        return [{"check": says, "bad": 1, "mend": BACK} for says in broken]
    if mend:
        join_held(con)
    problems: list[Problem] = []
    if version_of(con) != newest_version():
        problems.append({"check": "the store is of this version", "bad": 1, "mend": "Open it once with write access."})
    for says, sql, remedy in CHECKS:
        row = con.execute(f"SELECT count(*) FROM ({sql})").fetchone()
        if row and row[0]:
            problems.append({"check": says, "bad": int(row[0]), "mend": remedy})
    return problems
