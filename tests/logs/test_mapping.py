"""Other people's files through a mapping, and mappings that cannot be."""

from __future__ import annotations

import tomllib

import pytest

from calib.errors import CalibError, LogFileError
from calib.logs.mapping import Mapping
from calib.logs.propose import propose_mapping
from calib.logs.read_mapping import read_mapping
from calib.logs.text_file import Row
from calib.store.imports import ImportOptions, import_files
from calib.store.open_store import open_store
from calib.store.runs import find_runs

BUILDS = "build_id,process,machine,parts\nB1,SLA,M1,3\nB2,SLA,M1,3\n"


def taken_in(tmp_path, log, mapping, encoding="utf-8"):
    """Runs of a foreign log, and the import's document."""
    for name, text in (("b.csv", BUILDS), ("map.toml", mapping)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "log.csv").write_text(log, encoding=encoding)
    import_files(tmp_path, [tmp_path / "b.csv"], ImportOptions("Europe/Berlin"))
    document = import_files(
        tmp_path, [tmp_path / "log.csv"], ImportOptions("Europe/Berlin", mappings=(tmp_path / "map.toml",))
    )
    with open_store(tmp_path) as con:
        return find_runs(con), document


def test_columns_formats_units_words_and_a_stamp_from_two_columns(tmp_path):
    runs, document = taken_in(
        tmp_path,
        "Exported 1.2.2026\n\nJob;Tag;von;bis;Schritt;Pause (h)\nB1;05.01.2026;08:00;09:30;Entformen;0,25\n",
        'kind = "stages"\ndecimal = ","\n[columns]\nbuild_id = "Job"\nstarted_at = ["Tag", "von"]\n'
        'ended_at = ["Tag", "bis"]\nstage = "Schritt"\npaused_min = "Pause (h)"\n'
        '[formats]\nstarted_at = "%d.%m.%Y %H:%M"\nended_at = "%d.%m.%Y %H:%M"\n[units]\npaused_min = "h"\n'
        '[stages]\n"Entformen" = "unloading"\n',
        encoding="cp1252",
    )
    assert document["files"][0]["rows_new"] == 1
    assert runs["work_min"].tolist() == [75]
    assert str(runs["started_at"][0]) == "2026-01-05 07:00:00+00:00"


def test_rows_of_starts_and_stops_become_runs_with_pauses(tmp_path):
    runs, document = taken_in(
        tmp_path,
        "Time,Job,Event\n2026-01-05T08:00,B1,begin\n2026-01-05T09:00,B1,hold\n2026-01-05T09:10,B1,go\n"
        "2026-01-05T10:00,B1,end\n2026-01-05T10:05,B2,end\n2026-01-05T11:00,B2,begin\n",
        'kind = "stages"\n[columns]\nbuild_id = "Job"\n[defaults]\nstage = "printing"\n[start_stop]\nevent = "Event"\n'
        'at = "Time"\nsame = ["Job"]\nstart = ["begin"]\nstop = ["end"]\npause = ["hold"]\nresume = ["go"]\n',
    )
    assert runs.set_index("state")["work_min"].to_dict()["done"] == 110
    assert sorted(runs["state"]) == ["done", "running"]
    assert '"end" without a start before it' in document["quarantine"][0]["reason"]


def test_a_sheet_with_a_pair_of_columns_for_each_stage(tmp_path):
    runs, _ = taken_in(
        tmp_path,
        "Job,Day,Wash from,Wash to,Sand min\nB1,2026-01-05,08:00,08:20,45\nB2,2026-01-06,,,30\n",
        'kind = "stages"\n[columns]\nbuild_id = "Job"\n[wide]\ndate = "Day"\nwashing = ["Wash from", "Wash to"]\n'
        'sanding = "Sand min"\n',
    )
    found = sorted((run["build_ids"][0], run["stage"], run["work_min"]) for run in runs.to_dict("records"))
    assert found == [("B1", "sanding", 45), ("B1", "washing", 20), ("B2", "sanding", 30)]


def test_a_sheet_whose_stages_have_units_of_their_own(tmp_path):
    log = "Travail;Jour;Séchage (min);Ponçage (h);Lavage (h)\nB1;13/01/2026;30;0,75;0,5\nB2;14/01/2026;45;1,5;0,25\n"
    (tmp_path / "log.csv").write_text(log, encoding="utf-8")
    proposal = propose_mapping(tmp_path / "log.csv")
    assert proposal["unsure"] == []
    assert tomllib.loads(proposal["toml"])["units"] == {"sanding": "h", "washing": "h"}
    runs, _ = taken_in(tmp_path, log, proposal["toml"])
    found = sorted((run["build_ids"][0], run["stage"], run["work_min"]) for run in runs.to_dict("records"))
    assert found == [
        ("B1", "drying", 30), ("B1", "sanding", 45), ("B1", "washing", 30),
        ("B2", "drying", 45), ("B2", "sanding", 90), ("B2", "washing", 15),
    ]  # fmt: skip


def test_a_unit_of_a_stage_needs_its_column(tmp_path):
    path = tmp_path / "m.toml"
    path.write_text(
        'kind = "stages"\n[wide]\nwashing = "W"\n[units]\nsanding = "h"\nwashing = "kg"\n', encoding="utf-8"
    )
    with pytest.raises(LogFileError) as error:
        read_mapping(path)
    assert 'line 5, [units] "sanding" is no column of ours' in error.value.message
    assert 'line 6, [units] washing "kg" is none of min, h, s, d, h:mm, min:s, words' in error.value.message


def test_minutes_in_words_and_another_zone(tmp_path):
    runs, _ = taken_in(
        tmp_path,
        "build_id,stage,started_at,took\nB1,sanding,2026-01-05 08:00,2 h 40 min\n",
        'zone = "America/New_York"\n[columns]\nwork_min = "took"\n[units]\nwork_min = "words"\n',
    )
    assert runs["work_min"].tolist() == [160]
    assert str(runs["started_at"][0]) == "2026-01-05 13:00:00+00:00"


def test_a_duration_in_words_below_zero_is_set_aside_and_not_read_as_its_opposite(tmp_path):
    log = "build_id,stage,day,took\nB1,sanding,2026-01-05,-20 min\nB2,sanding,2026-01-05,20 min\n"
    runs, document = taken_in(
        tmp_path, log, '[columns]\ndate = "day"\nwork_min = "took"\n[units]\nwork_min = "words"\n'
    )
    assert runs["work_min"].tolist() == [20]
    assert [(one["line"], one["value"]) for one in document["quarantine"]] == [(2, "-20 min")]


def test_every_problem_of_a_mapping_is_told_in_one_pass_with_its_line(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(
        'kind = "stage"\ndecimal = ";"\nzone = "Europe/Berln"\ncolums = 1\novernight = "yes"\n\n'
        '[columns]\nstatn = "x"\nstage = 3\n\n[formats]\nstarted_at = ["%d.%m.%Y", "day"]\n\n'
        '[units]\nwork_min = "hh"\nparts = ["kg"]\n\n[stages]\n"Abk. x" = "cool down"\n\n[processes]\nx = "weaving"\n\n'
        '[words.outcome]\n"n.i.O." = "faild"\n\n[wide]\nwasing = "Wash"\n\n[start_stop]\nevnt = "x"\n',
        encoding="utf-8",
    )
    with pytest.raises(LogFileError) as error:
        read_mapping(path)
    first, *answer = error.value.message.splitlines()
    assert first == f"{path} has 20 problems:"
    for words in (
        'line 1, kind "stage" is none of builds, stages, items, events; did you mean stages?',
        'line 2, decimal ";" is neither "." nor ","',
        'line 3, zone "Europe/Berln" is no IANA zone, such as Europe/London; did you mean Europe/Berlin?',
        'line 4, "colums" is no key of a mapping; did you mean columns?',
        "line 5, overnight must be true or false",
        'line 8, [columns] "statn" is no column of ours; did you mean station?',
        "line 9, [columns] stage must be the name of a column, or a list of names",
        'line 12, [formats] started_at "day" is no format of times, such as "%d.%m.%Y %H:%M"',
        'line 15, [units] work_min "hh" is none of min, h, s, d, h:mm, min:s, words; did you mean h?',
        "line 16, [units] parts \"['kg']\" cannot be: it has no unit",
        'line 19, [stages] "Abk. x": "cool down" is no stage; did you mean cool_down?',
        'line 22, [processes] "x": "weaving" is no process; write MEX, VPP or PBF',
        'line 25, [words.outcome] "n.i.O.": "faild" is none of done, stopped, failed, skipped, void; did you mean failed?',
        'line 28, [wide] "wasing" is no stage; did you mean washing or blasting or sanding?',
        "line 30, [start_stop] has no event",
    ):
        assert f"  {words}" in answer


def test_a_mapping_that_is_no_text(tmp_path):
    (tmp_path / "map.toml").write_bytes(b"PK\x03\x04\xff\xfe\x00")
    with pytest.raises(
        LogFileError, match=r"map\.toml is not UTF-8 text, so it is no mapping\. Propose one: calib map FILE"
    ):
        read_mapping(tmp_path / "map.toml")


def test_a_mapping_that_is_no_toml(tmp_path):
    (tmp_path / "map.toml").write_text("[columns\n", encoding="utf-8")
    with pytest.raises(LogFileError, match="is not valid TOML"):
        read_mapping(tmp_path / "map.toml")


def test_a_proposal_gives_reasons_and_asks_where_it_is_unsure(tmp_path):
    log = "Job;Step;Start;End;Duration (h);Who\nB1;Cool down;03/04/2026 08:00;03/04/2026 09:00;1,0;Ada\nB2;Frobnicate;05/04/2026 08:00;05/04/2026 09:00;1,5;Ada\n"
    (tmp_path / "log.csv").write_text(log, encoding="utf-8")
    proposal = propose_mapping(tmp_path / "log.csv")
    mapping = tomllib.loads(proposal["toml"])
    assert mapping["kind"] == "stages"
    assert mapping["decimal"] == ","
    assert mapping["columns"] == {
        "build_id": "Job", "stage": "Step", "started_at": "Start", "ended_at": "End", "operator": "Who",
    } | {key: value for key, value in mapping["columns"].items() if key == "work_min"}  # fmt: skip
    assert mapping["stages"] == {"Cool down": "cool_down"}
    assert any("can be read as %d/%m/%Y %H:%M or %m/%d/%Y %H:%M" in question for question in proposal["unsure"])
    assert any('what is "Frobnicate"' in question for question in proposal["unsure"])


def test_a_proposal_that_a_person_has_completed_imports_the_file(tmp_path):
    log = "Job,Operation,Begin,Finish\nB1,washing,20.01.2026 08:00,20.01.2026 08:20\n"
    (tmp_path / "log.csv").write_text(log, encoding="utf-8")
    proposal = propose_mapping(tmp_path / "log.csv")
    assert proposal["unsure"] == []
    runs, _ = taken_in(tmp_path, log, proposal["toml"])
    assert runs["work_min"].tolist() == [20]


@pytest.mark.parametrize("wide", ["printing = 3", "printing = [3, 4]", 'printing = ["a", "b", "c"]'])
def test_a_wide_stage_that_names_no_columns_is_said(tmp_path, wide):
    path = tmp_path / "m.toml"
    path.write_text(f'kind = "stages"\n[wide]\n{wide}\n', encoding="utf-8")
    with pytest.raises(CalibError, match="must name the columns of start and end, or the one of minutes"):
        read_mapping(path)


@pytest.mark.parametrize(
    ("decimal", "text", "minutes"),
    [
        (".", "1,5", 90), (".", "1.5", 90), (".", "1,250", 75_000), (".", "0,250", 15), (",", "1,5", 90), (",", "1.5", 90),
        (",", "1.250", 75_000), (",", "1.250,5", 75_030), (",", "1 250,5", 75_030), (".", "1,25 h", 75),
    ],
)  # fmt: skip
def test_a_comma_or_point_parts_thousands_only_before_three_digits(decimal, text, minutes):
    mapping = Mapping(kind="stages", decimal=decimal, units={"work_min": "h"})
    _, (row,) = mapping.apply(("work_min",), [Row(1, [text])])
    assert float(row.cells[0]) == minutes


@pytest.mark.parametrize("heading", ["operator", "Bediener", "worker", "technician", "Mitarbeiter"])
def test_a_proposal_shows_no_cell_of_a_column_that_holds_names(tmp_path, heading):
    rows = "".join(
        f"B{i},printing,2026-11-0{i}T08:00,2026-11-0{i}T12:00,Zora Quillfeather,Zora was quick\n" for i in range(1, 4)
    )
    (tmp_path / "log.csv").write_text(f"Job,What was done,Begin,End,{heading},Remark\n{rows}")
    proposal = propose_mapping(tmp_path / "log.csv")
    assert "operator" in proposal["toml"]
    assert "Zora" not in str(proposal)
