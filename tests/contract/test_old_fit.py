"""A stored fit that lacks what this version reads ends in a sentence with its remedy, in every command that reads it."""

from __future__ import annotations

import pandas as pd
import pytest

from calib.store.fits import BESIDE_THE_MODEL, save_fit
from calib.store.open_store import open_store


@pytest.mark.parametrize("lacking", BESIDE_THE_MODEL)
def test_every_command_that_reads_a_fit_says_to_fit_again(lab, lacking):
    plan = lab.write("build_id,process,machine,parts\nP1,VPP,vpp1,3\n")
    tables = {name: pd.DataFrame({"x": [1.0]}) for name in BESIDE_THE_MODEL if name != lacking}
    with open_store(lab.folder) as store:
        save_fit(store, tables, {"as_of": "2026-01-05"}, "")
    for words in (["predict", str(plan)], ["drift"], ["why", "VPP", "printing"]):
        status, out, err = lab.call(*words)
        assert (status, out) == (2, "")
        assert err == f"calib: The stored fit lacks {lacking}: it is of an older version. Run: calib fit\n"
