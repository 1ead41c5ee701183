"""Documents hold no NaN, no Infinity, no numpy."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calib.cli.answer import plain, print_document


def test_what_json_cannot_say_is_null():
    assert plain({"a": float("nan"), "b": np.float64("inf"), "c": [np.int64(3), np.nan]}) == {
        "a": None,
        "b": None,
        "c": [3, None],
    }


def test_times_are_iso_8601_and_missing_times_are_null():
    assert plain(datetime(2026, 3, 1, 12, tzinfo=UTC)) == "2026-03-01T12:00:00+00:00"
    assert plain(pd.NaT) is None
    assert plain(pd.NA) is None


def test_a_document_is_one_json_text(capsys):
    print_document({"path": Path("a") / "b", "what": "35 µm"})
    assert json.loads(capsys.readouterr().out) == {"path": str(Path("a") / "b"), "what": "35 µm"}


@pytest.mark.parametrize("hidden", ["\x1b[2J", "\x07", "\x9b31m", "\u202e", "\u200b"], ids=repr)
def test_what_cannot_be_seen_in_a_log_reaches_the_terminal_spelled_out(lab, calib, hidden):
    header = "build_id,stage,started_at,ended_at,station\n"
    row = f'"B1{hidden}","prin{hidden}ting",2026-01-05T08:00,2026-01-05T09:00,bench\n'
    (lab / "odd.csv").write_text(header + row, encoding="utf-8", newline="")
    (lab / "no_log.csv").write_text(f'"a{hidden}",b\n1,2\n', encoding="utf-8", newline="")
    for line in ("import odd.csv", "rejects", "review --all", "import no_log.csv"):
        _, out, err = calib(line)
        assert hidden not in out + err
    assert repr(hidden)[1:-1] in err
