"""Documents hold no NaN, no Infinity, no numpy."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

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
