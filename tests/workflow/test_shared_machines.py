"""An option of several machines together can be promised, as long as all of them are in the shop file."""

from __future__ import annotations

import pytest
import trimesh

from calib.cli.app import run
from calib.errors import UsageError
from calib.workflow.accept import accept
from calib.workflow.order import QuoteAsk
from calib.workflow.quote import quote_part

MORE = '[[machine]]\nid = "mex2"\nprocess = "MEX"\nkind = "extruder"\nbuild_mm = [250, 210, 210]\nmaterials = ["pla"]\n'


def test_machines_together_are_promised_until_one_is_gone(tmp_path):
    folder = tmp_path / "lab"
    assert run(["init", str(folder), "--timezone", "Europe/London"]) == 0
    text = (folder / "shop.toml").read_text().replace("draws = 5000", "draws = 200")
    (folder / "shop.toml").write_text(f"{text}\n{MORE}")
    trimesh.creation.box((90, 80, 70)).export(tmp_path / "box.stl")
    document = quote_part(folder, tmp_path / "box.stl", 60, QuoteAsk(processes=("MEX",)))
    assert "mex1+mex2" in [option["machine"] for option in document["options"]]
    assert accept(folder, document["quote_id"], "mex1+mex2")["machine"] == "mex1+mex2"
    (folder / "shop.toml").write_text(text)
    with pytest.raises(UsageError, match="is for mex2, which is not in the shop file"):
        accept(folder, document["quote_id"], "mex1+mex2")
