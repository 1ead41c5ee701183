"""Words: process codes and the trade's own, stages with their processes, scopes and hands."""

from __future__ import annotations

import pytest

from calib.records import ROUTES, STAGES

# The table of stages in docs/interface.md, typed from it: processes, scopes, what of it is unattended.
TABLE = """
design_adaptation    MEX VPP PBF  order        none
file_prep            MEX VPP PBF  order|build  none
material_drying      MEX          load         nearly
powder_prep          PBF          build        part
machine_setup        MEX VPP PBF  build        none
warm_up              MEX VPP PBF  build        all
printing             MEX VPP PBF  build        all
cool_down            MEX PBF      build        all
unloading            MEX VPP PBF  build        none
machine_cleaning     MEX VPP PBF  build        none
draining             VPP          build        nearly
support_removal      MEX VPP      build        none
support_dissolving   MEX          load         nearly
rinsing              MEX          load         nearly
washing              VPP          load         nearly
drying               VPP MEX      load         all
post_curing          VPP          load         nearly
breakout             PBF          build        none
part_cleaning        PBF          build        none
powder_recovery      PBF          load         part
blasting             MEX VPP PBF  load         none
sanding              MEX VPP PBF  order|load   none
annealing            MEX VPP PBF  order|load   nearly
colouring            MEX VPP PBF  order|load   nearly
assembly             MEX VPP PBF  order|load   none
inspection           MEX VPP PBF  order        none
packing              MEX VPP PBF  order        none
"""
HANDS = {"none": "all", "part": "part", "nearly": "ends", "all": "none"}  # what a person does of what is not unattended
OPTIONAL = {
    "sanding",
    "annealing",
    "colouring",
    "assembly",
    "blasting",
    "material_drying",
    "support_dissolving",
    "rinsing",
}


def test_stages_are_those_of_the_table():
    table = {}
    for line in TABLE.split("\n"):
        if line:
            name, *processes, scope, unattended = line.split()
            table[name] = (set(processes), scope.split("|"), HANDS[unattended])
    assert list(STAGES) == sorted(STAGES, key=list(STAGES).index)
    assert STAGES.keys() == table.keys()
    for name, stage in STAGES.items():
        processes, scopes, hands = table[name]
        assert (set(stage.processes), stage.hands) == (processes, hands), name
        assert stage.scope in scopes, name
        assert stage.optional == (name in OPTIONAL), name


@pytest.mark.parametrize("process", ROUTES)
def test_a_route_holds_every_stage_of_its_process_once(process):
    route = ROUTES[process]
    assert len(set(route)) == len(route)
    assert set(route) == {name for name, stage in STAGES.items() if process in stage.processes}


WORDS = {"MEX": ["FFF", "fdm", "Fff", "mex", "material extrusion"], "VPP": ["SLA", "sla", "Vpp"], "PBF": ["SLS", "sls"]}


def test_the_trades_words_are_taken_in_any_case_stored_as_the_code_and_never_printed(lab):
    pairs = [(word, code) for code, words in WORDS.items() for word in words]
    rows = [f"B{number},{word},m{number},1\n" for number, (word, _) in enumerate(pairs)]
    text = "build_id,process,machine,parts\n" + "".join(rows) + "B99,sla,m99,none\n"
    log = lab.write(text)
    shown = lab.call("import", str(log))[1] + lab.call("import", str(log), "--json")[1]
    assert lab.rows("SELECT process FROM build ORDER BY line") == [(code,) for _, code in pairs]
    shown += lab.call("rejects")[1] + lab.call("predict", str(log))[1] + lab.call("predict", str(log), "--json")[1]
    out = lab.folder.parent / "out"
    lab.call("export", str(out), "--only", "csv")
    shown += (out / "builds.csv").read_text()
    assert not {"fff", "fdm", "sla", "sls", "material extrusion"} & set(shown.lower().replace(",", " ").split())
    assert lab.call("why", "sls", "printng")[2].startswith("calib: Nothing was learned yet")


def test_an_unknown_process_is_set_aside(lab, fates):
    document = lab.take("build_id,process,machine,parts\nB1,LFT,m,1\n")
    assert fates(document) == (0, 0, 0, 0, 1)
    assert document["quarantine"][0]["reason"] == "is no process; write MEX, VPP or PBF"


def test_a_stage_of_the_shops_own_is_taken_in_and_not_marked(lab, fates):
    shop = lab.folder / "shop.toml"
    own = (
        '\n[rates.vapour_smoothing]\nrecipe_min = 90\n\n[routes]\nMEX = ["file_prep", "printing", "vapour_smoothing"]\n'
    )
    runs = "build_id,stage,started_at,ended_at\nB1,vapour_smoothing,2026-01-05T08:00,2026-01-05T09:30\n"
    builds = "build_id,process,machine,parts\nB1,MEX,mex1,3\n"
    document = lab.take(builds, runs)
    assert fates(document, 1) == (0, 0, 0, 0, 1)
    assert "known stages: design_adaptation" in document["quarantine"][0]["reason"]
    shop.write_text(shop.read_text() + own)
    document = lab.take(builds, runs)
    assert fates(document, 1) == (1, 0, 0, 0, 0)
    assert document["review"] == []
