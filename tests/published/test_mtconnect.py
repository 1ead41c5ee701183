"""MTConnect, part 3: the values of Execution (schema MTConnectStreams_2.4.xsd, simpleType ExecutionValueType)."""

from __future__ import annotations

import pytest

from calib.errors import LogFileError
from calib.logs.bench_card import bench_card
from calib.logs.mtconnect import ENDED, PAUSED, RUNNING, stream_rows

EXECUTION_VALUES = {
    "READY", "ACTIVE", "INTERRUPTED", "FEED_HOLD", "STOPPED", "OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_COMPLETED", "WAIT",
    "PROGRAM_OPTIONAL_STOP",
}  # fmt: skip
# A document in the form of the standard's own examples; device and program are invented.
DOCUMENT = """<?xml version="1.0" encoding="UTF-8"?>
<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:2.4">
 <Header creationTime="2026-01-05T12:00:00Z" sender="lab" instanceId="1" version="2.4" bufferSize="9" nextSequence="9"/>
 <Streams><DeviceStream name="M1" uuid="m-1"><ComponentStream component="Path" name="path" componentId="p"><Events>
  <Program dataItemId="pgm" sequence="1" timestamp="2026-01-05T07:59:00Z">B1</Program>
  <Execution dataItemId="exec" sequence="2" timestamp="2026-01-05T08:00:00Z">ACTIVE</Execution>
  <Execution dataItemId="exec" sequence="3" timestamp="2026-01-05T09:00:00Z">{hold}</Execution>
  <Execution dataItemId="exec" sequence="4" timestamp="2026-01-05T09:15:00Z">ACTIVE</Execution>
  <Execution dataItemId="exec" sequence="5" timestamp="2026-01-05T10:00:00Z">{end}</Execution>
  <Execution dataItemId="exec" sequence="6" timestamp="2026-01-05T11:00:00Z">UNAVAILABLE</Execution>
 </Events></ComponentStream></DeviceStream></Streams>
</MTConnectStreams>"""


def runs(tmp_path, text):
    path = tmp_path / "stream.xml"
    path.write_text(text, encoding="utf-8")
    names, rows, _ = stream_rows(path, "stream.xml")
    return [dict(zip(names, row.cells, strict=True)) for row in rows]


def test_every_execution_value_of_the_schema_is_understood():
    assert RUNNING | PAUSED | set(ENDED) == EXECUTION_VALUES


@pytest.mark.parametrize("hold", sorted(PAUSED))
def test_holds_are_pauses(tmp_path, hold):
    (run,) = runs(tmp_path, DOCUMENT.format(hold=hold, end="PROGRAM_COMPLETED"))
    assert run == {
        "build_id": "B1", "stage": "printing", "started_at": "2026-01-05T08:00:00+00:00",
        "ended_at": "2026-01-05T10:00:00+00:00", "station": "M1", "paused_min": "15", "outcome": "done", "ended_by": "machine",
        "note": "",
    }  # fmt: skip


@pytest.mark.parametrize(("end", "outcome"), sorted(ENDED.items()))
def test_ends(tmp_path, end, outcome):
    (run,) = runs(tmp_path, DOCUMENT.format(hold="ACTIVE", end=end))
    assert (run["outcome"], run["paused_min"]) == (outcome, "0")


def test_a_run_that_goes_on_has_no_end(tmp_path):
    (run,) = runs(tmp_path, DOCUMENT.format(hold="ACTIVE", end="ACTIVE"))
    assert run["ended_at"] == ""


def test_a_lost_connection_within_a_run_is_noted(tmp_path):
    # UNAVAILABLE: "the value of the data entity cannot be determined".
    (run,) = runs(tmp_path, DOCUMENT.format(hold="UNAVAILABLE", end="READY"))
    assert (run["paused_min"], run["note"]) == ("0", "no connection for 15 min of it")


def stream(first, following, sender="1"):
    header = f'instanceId="{sender}" version="2.4" bufferSize="9" firstSequence="{first}" nextSequence="{following}"'
    return DOCUMENT.replace('instanceId="1" version="2.4" bufferSize="9" nextSequence="9"', header).format(
        hold="ACTIVE", end="READY"
    )


@pytest.mark.parametrize(
    ("later", "lost"), [(stream(9, 30), 0), (stream(5, 12), 0), (stream(21, 30), 12), (stream(21, 30, "2"), 0)]
)
def test_a_buffer_that_ran_over_between_two_streams_is_told(tmp_path, later, lost):
    # MTConnect, part 1, Header: firstSequence is the oldest observation in the agent's buffer, nextSequence the one to
    # request next, instanceId changes when the agent starts anew; meanings from memory.
    from calib.store.imports import ImportOptions, import_files

    for name, text in (("monday.xml", stream(1, 9)), ("tuesday.xml", later)):
        (tmp_path / name).write_text(text, encoding="utf-8")
        document = import_files(tmp_path, [tmp_path / name], ImportOptions("UTC"))
    answer = [
        f"Between monday.xml and tuesday.xml {lost} observations are lost: the sender's buffer ran over. "
        "Runs in between may lack; ask it more often."
    ]
    assert document["warnings"] == (answer if lost else [])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]><MTConnectStreams>&e;</MTConnectStreams>",
            "such XML is not read",
        ),
        ("<MTConnectDevices/>", "no MTConnectStreams document"),
        ("<MTConnectStreams><open></MTConnectStreams>", "is damaged XML"),
        ("<MTConnectStreams/>", "holds no Execution states"),
        ("<!DOCTYPE html><html><body><table></table></body></html>", "is a web page, not a log"),
        (bench_card(), "is the bench card: a page to print and to fill in by pen"),
    ],
)
def test_other_xml_is_refused_in_words(tmp_path, text, says):
    with pytest.raises(LogFileError, match=says):
        runs(tmp_path, text)
