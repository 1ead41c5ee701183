"""Machines and materials that the shop file lacks come in, with a warning and their process's defaults."""

from __future__ import annotations

HEAD = "build_id,process,machine,parts,material\n"


def test_an_unknown_machine_and_material_come_in_with_a_warning_that_names_the_nearest(lab, fates):
    document = lab.take(HEAD + "B1,MEX,mex-1,3,PLAA\nB2,MEX,zeppelin,3,\n")
    assert fates(document) == (2, 0, 0, 0, 0)
    assert document["warnings"] == [
        'Machine "mex-1" is not in the shop file: the defaults of its process are used. Did you mean mex1?',
        'Machine "zeppelin" is not in the shop file: the defaults of its process are used.',
        'Material "PLAA" is not in the shop file: the defaults of its process are used. Did you mean pla?',
    ]


def test_a_build_on_a_machine_or_of_a_material_for_another_process_is_told(lab, fates):
    document = lab.take(HEAD + "B1,VPP,mex1,3,resin\nB2,VPP,vpp1,3,pla\n")
    assert fates(document) == (2, 0, 0, 0, 0)
    assert document["warnings"] == [
        "Build B1 is VPP on mex1, which is a MEX machine: look at machine and process.",
        "Build B2 is VPP of pla, a material for MEX: look at material and process.",
    ]


def test_many_unknown_names_are_counted(lab):
    rows = "".join(f"B{number},MEX,mex1,1,lot {number}\n" for number in range(9))
    assert lab.take(HEAD + rows)["warnings"][-1] == "4 more that the shop file lacks are named as material."


def test_a_plan_is_warned_of_in_the_same_words_and_predicted(lab):
    plan = lab.write(HEAD + "P1,MEX,mex9,3,PLAA\n")
    document = lab.document("predict", str(plan))
    assert [row["stage"] for row in document["predictions"]][-1] == "total"
    assert document["warnings"][1:] == [
        'Machine "mex9" is not in the shop file: the defaults of its process are used. Did you mean mex1?',
        'Material "PLAA" is not in the shop file: the defaults of its process are used. Did you mean pla?',
    ]
