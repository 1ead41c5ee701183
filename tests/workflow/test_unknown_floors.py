"""A least time that is not known is said in every answer that uses its stage, in the document and on the screen."""

from __future__ import annotations

import json

import pytest
from boxes import few_draws, write_box

from calib.cli.app import run

UNKNOWN = "resin: no least time known for washing, drying and post curing: see the data sheet."


@pytest.mark.slow
def test_every_answer_that_uses_a_stage_says_that_its_least_time_is_not_known(tmp_path, capsys):
    lab = tmp_path / "lab"
    assert run(["init", str(lab), "--timezone", "UTC"]) == 0
    assert "Follow the safety data sheets" in capsys.readouterr().out
    assert "Follow the safety data sheets" in (lab / "shop.toml").read_text("utf-8")
    few_draws(lab)
    box = str(write_box(lab / "box.stl", 40, 30, 20))
    (lab / "order.csv").write_text("part_file,qty\nbox.stl,3\n")
    (lab / "plan.csv").write_text("build_id,process,machine,material,parts\nP1,VPP,vpp1,resin,3\n")
    (lab / "patch.toml").write_text('[people]\nnames = "off"\n')
    vpp = ("--process", "VPP")
    asked = {
        "quote": ("quote", box, "--qty", "3", *vpp),
        "order": ("quote", str(lab / "order.csv"), *vpp),
        "compare": ("compare", box, "--qty", "1,3", *vpp),
        "predict": ("predict", str(lab / "plan.csv")),
        "capacity": ("capacity", "--plan", str(lab / "plan.csv")),
        "accept": ("accept", "Q00001"),
        "promises": ("promises",),
        "what-if": ("quote", box, "--qty", "3", *vpp, "--if", str(lab / "patch.toml")),
    }
    for name, words in asked.items():
        assert run([*words, "--shop", str(lab), "--json"]) == 0, capsys.readouterr()
        document = json.loads(capsys.readouterr().out)
        options = document["options"] if name in ("quote", "order") else ()
        assert UNKNOWN in [*document["warnings"], *(text for one in options for text in one["warnings"])], name
        assert run([*words, "--shop", str(lab)]) == 0
        assert UNKNOWN in " ".join(capsys.readouterr().out.split()), name
