"""Valid rows that look wrong come in and are marked for a person's look."""

from __future__ import annotations

import pytest

BUILDS = "build_id,process,machine,parts\nE1,MEX,mex1,3\nV1,VPP,vpp1,3\nP1,PBF,pbf1,3\n"
HEAD = "build_id,stage,started_at,ended_at,station,operator\n"
AT = ",2026-01-05T08:00,2026-01-05T08:20,,\n"


def marks(document):
    return [(mark["rule"], mark["sentence"].split(": ", 1)[1]) for mark in document["review"]]


@pytest.mark.parametrize(
    ("work", "says"),
    [
        ("V1,cool_down", "cool down of V1 is no usual stage of VPP"),
        ("E1,breakout", "breakout of E1 is no usual stage of MEX"),
        ("E1+V1,washing", "washing of E1+V1 is no usual stage of MEX"),
        ("V1,unloading+cool_down", "unloading + cool down of V1 holds cool down, which is no usual stage of VPP"),
        ("P1,support_removal", "support removal of P1 is no usual stage of PBF"),
    ],
)
def test_a_stage_that_the_table_does_not_give_the_process_is_accepted_and_marked(lab, fates, work, says):
    document = lab.take(BUILDS, HEAD + work + AT)
    assert fates(document, 1) == (1, 0, 0, 0, 0)
    assert marks(document) == [("unusual stage", f"{says}: is it the right stage?")]


def test_it_is_marked_when_the_build_comes_later_and_once(lab, fates):
    assert fates(lab.take(HEAD + "V1,cool_down" + AT)) == (0, 0, 0, 1, 0)
    assert [rule for rule, _ in marks(lab.take(BUILDS))] == ["unusual stage"]
    assert lab.take(BUILDS + "V2,VPP,vpp1,1\n")["review_open"] == 1


@pytest.mark.parametrize("work", ["V1,washing", "E1,cool_down", "P1,breakout+part_cleaning+blasting", "E1,drying"])
def test_a_stage_of_the_table_is_not_marked(lab, work):
    assert lab.take(BUILDS, HEAD + work + AT)["review"] == []
