"""A mapping is proposed for an invented log of each shape, written, and imports the log as it is written."""

from __future__ import annotations

import json
import tempfile
import tomllib
from datetime import date, datetime
from pathlib import Path

import foreign_files
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from written_tables import ods

from calib.errors import LogFileError
from calib.logs.columns import KINDS
from calib.logs.mapping import Mapping, parsed
from calib.logs.propose import propose_mapping
from calib.logs.propose_cells import CLOCKS, DAY_FIRST, MONTH_FIRST, YEAR_FIRST, decimal_of, formats_of
from calib.logs.read_mapping import read_mapping
from calib.logs.text_file import Row
from calib.store.imports import ImportOptions, import_files
from calib.store.log_files import as_text_file
from calib.store.open_store import open_store
from calib.store.runs import find_runs

ZONE = "Europe/Berlin"


def proposed(path, **options):
    with as_text_file(path) as readable:
        return propose_mapping(readable, foreign_files.MACHINES, foreign_files.PLACES, **options)


def runs_under(folder, log, toml, ids):
    """Runs of a log that is imported under a mapping, beside the builds and orders that it names."""
    builds = "".join(f"{name},VPP,resin-1,3,{name}\n" for name in ids)
    (folder / "ours.csv").write_text("build_id,process,machine,parts,order_id\n" + builds, encoding="utf-8")
    (folder / "its.map.toml").write_text(toml, encoding="utf-8")
    import_files(folder, [folder / "ours.csv"], ImportOptions(ZONE))
    document = import_files(folder, [log], ImportOptions(ZONE, mappings=(folder / "its.map.toml",)))
    with open_store(folder) as con:
        return find_runs(con), document


@pytest.mark.parametrize("make", foreign_files.ALL, ids=lambda make: make.__name__)
def test_a_proposal_imports_the_file_it_was_made_for_as_it_is_written(tmp_path, make):
    log = make(tmp_path)
    proposal = proposed(log.path)
    runs, document = runs_under(tmp_path, log.path, proposal["toml"], {run[0] for run in log.runs})
    found = [
        ((list(run["build_ids"]) or [run["order_id"]])[0], run["stage"], round(run["work_min"], 6))
        for run in runs.to_dict("records")
    ]
    assert sorted(found) == sorted(log.runs)
    assert len(proposal["unsure"]) == log.questions
    assert proposal["toml"].count("# ? ") == log.questions
    assert document["quarantine"] == []
    if log.start:
        assert f"{runs['started_at'].min().tz_convert(ZONE):%Y-%m-%d %H:%M}" == log.start


def csv(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_every_line_has_its_reason_and_every_column_left_is_named(tmp_path):
    proposal = proposed(foreign_files.german_semicolons(tmp_path).path)
    lines = proposal["toml"].splitlines()
    assert "# Line 5 was taken as its header." in lines
    answer = [line for line in lines if line.startswith(("build_id", "started_at", "paused_min", '"Waschen"'))]
    assert len(answer) == 6
    assert all(line.partition("  # ")[2] for line in answer)
    assert 'paused_min = "h"  # its heading says h' in lines
    mapped = proposed(csv(tmp_path, "Job,Step,Start,End,Mood\nB1,wash,2026-01-05 08:00,2026-01-05 09:00,fine\n"))
    assert '# Not used, kept as they are: "Mood"' in mapped["toml"]


@pytest.mark.parametrize(
    ("cells", "form", "asks"),
    [
        (["03/04/2026 08:00", "13/04/2026 08:00"], "%d/%m/%Y %H:%M", False),
        (["03/04/2026 08:00", "04/13/2026 08:00"], "%m/%d/%Y %H:%M", False),
        (["03/04/2026 08:00", "05/04/2026 08:00"], "%d/%m/%Y %H:%M", True),
        (["01/12/2026 08:00", "02/11/2026 08:00", "03/10/2026 08:00"], "%m/%d/%Y %H:%M", True),
        (["03.04.2026 08:00", "05.04.2026 08:00"], "%d.%m.%Y %H:%M", False),
    ],
    ids=["a 13th day", "a 13th day second", "nothing decides", "rows in order of time", "points"],
)
def test_day_and_month_are_told_by_the_cells_or_asked(tmp_path, cells, form, asks):
    rows = "".join(f"B1,wash,{cell},20\n" for cell in cells)
    proposal = proposed(csv(tmp_path, f"Job,Step,Start,Minutes\n{rows}"))
    assert tomllib.loads(proposal["toml"])["formats"]["started_at"] == form
    assert [question for question in proposal["unsure"] if "can be read as" in question] == proposal["unsure"]
    assert bool(proposal["unsure"]) == asks


@pytest.mark.parametrize(
    ("heading", "cells", "unit", "asks"),
    [
        ("Duration (h)", ["1", "2"], "h", False),
        ("Dauer [Std.]", ["1", "2"], "h", False),
        ("Zeit in Sekunden", ["900", "1200"], "s", False),
        ("Minutes", ["45", "30"], None, False),
        ("Time", ["45", "30"], None, False),
        ("Time", ["0.75", "1.5"], "h", True),
        ("Time", ["5400", "7200"], "s", True),
        ("Duration", ["1:35", "0:20"], "h:mm", False),
        ("Duration", ["1 h 35", "20 min"], "words", False),
    ],
)
def test_the_unit_of_a_duration_is_told_by_heading_size_or_writing(tmp_path, heading, cells, unit, asks):
    rows = "".join(f"B1,wash,2026-01-0{number},{cell}\n" for number, cell in enumerate(cells, 5))
    proposal = proposed(csv(tmp_path, f"Job,Step,Date,{heading}\n{rows}"))
    mapping = tomllib.loads(proposal["toml"])
    assert mapping["columns"]["work_min"] == heading
    assert mapping.get("units", {}).get("work_min") == unit
    assert bool(proposal["unsure"]) == asks


def test_a_duration_that_end_less_start_contradicts_is_asked_about(tmp_path):
    text = (
        "Job,Step,Start,End,Duration (h)\nB1,wash,2026-01-05 08:00,2026-01-05 09:00,60\nB2,wash,2026-01-05 08:00,,30\n"
    )
    proposal = proposed(csv(tmp_path, text))
    assert "work_min" not in tomllib.loads(proposal["toml"]).get("units", {})
    assert any("its heading says h, but it agrees with end less start in min" in asked for asked in proposal["unsure"])


def test_builds_take_their_process_from_the_machine_where_no_column_says_it(tmp_path):
    proposal = proposed(
        csv(tmp_path, "Baujob;Drucker;Stückzahl;Schichtdicke (µm)\nK-1;resin-1;4;50\nK-2;bed-1;30;100\n")
    )
    mapping = tomllib.loads(proposal["toml"])
    assert mapping["kind"] == "builds"
    assert mapping["columns"] == {
        "build_id": "Baujob", "process": "Drucker", "machine": "Drucker", "parts": "Stückzahl", "layer_mm": "Schichtdicke (µm)",
    }  # fmt: skip
    assert mapping["processes"] == {"resin-1": "VPP", "bed-1": "PBF"}
    assert mapping["units"] == {"layer_mm": "um"}


def test_a_sheet_of_stages_that_holds_builds_too_says_so(tmp_path):
    log = csv(tmp_path, "Job,Printer,Technology,Pieces,Wash min,Cure min,Day\nK-1,resin-1,SLA,4,20,60,2026-01-05\n")
    assert proposed(log)["other_kind"] == "builds"
    builds = tomllib.loads(proposed(log, kind="builds")["toml"])
    assert builds["columns"] == {"build_id": "Job", "process": "Technology", "machine": "Printer", "parts": "Pieces"}


def test_stages_of_orders_that_name_machine_and_process_ask_whether_an_order_is_a_build(tmp_path):
    rows = "Auftrag;Verfahren;Anlage;Stück;Arbeitsgang;Beginn;Ende\n"
    rows += "A-1;SLA;resin-1;4;Print;05.01.2026 08:00;05.01.2026 09:30\n"
    proposal = proposed(csv(tmp_path, rows))
    assert (proposal["kind"], proposal["other_kind"]) == ("stages", "builds")
    assert tomllib.loads(proposal["toml"])["columns"]["build_id"] == "Auftrag"
    assert 'is "Auftrag" one build?' in proposal["unsure"]


def test_a_sheet_of_builds_that_holds_the_times_of_a_stage_says_so(tmp_path):
    rows = "Baujob,Maschine,Verfahren,Druckbeginn,Druckende\nK-1,resin-1,SLA,05.01.2026 08:00,05.01.2026 09:30\n"
    proposal = proposed(csv(tmp_path, rows))
    assert (proposal["kind"], proposal["other_kind"]) == ("builds", "stages")


def test_a_german_sheet_of_builds_gives_its_stages_and_an_end_with_its_own_day_is_never_moved(tmp_path):
    head = "Baujob,Maschine,Druckbeginn,Druckende,Rüstzeit (min)\n"
    rows = "K-1,resin-1,05.01.2026 22:00,06.01.2026 01:00,12\nK-2,resin-1,13.01.2026 11:00,13.01.2026 09:00,9\n"
    proposal = proposed(csv(tmp_path, head + rows))
    mapping = tomllib.loads(proposal["toml"])
    assert mapping["wide"]["printing"] == ["Druckbeginn", "Druckende"]
    assert mapping["wide"]["machine_setup"] == "Rüstzeit (min)"
    assert "overnight" not in mapping


def test_a_column_that_only_starts_fill_does_not_tell_runs_apart(tmp_path):
    rows = [
        f"K-{one},Waschen,Start,0{one}.01.2026 08:00,wash\nK-{one},Waschen,Stopp,0{one}.01.2026 08:30,\n"
        for one in (1, 2)
    ]
    log = csv(tmp_path, "Job,Arbeitsgang,Ereignis,Zeitpunkt,Platz\n" + "".join(rows))
    toml = proposed(log)["toml"]
    assert tomllib.loads(toml)["start_stop"]["same"] == ["Job", "Arbeitsgang"]
    runs, document = runs_under(tmp_path, log, toml, ["K-1", "K-2"])
    assert (list(runs["work_min"]), document["quarantine"]) == ([30.0, 30.0], [])


def test_a_unit_that_is_ours_is_shown_as_ours(tmp_path):
    toml = proposed(csv(tmp_path, "Baujob,Maschine,Höhe [mm],Volumen [cm³]\nK-1,resin-1,20,35\n"))["toml"]
    answer = {line.split("  ")[0] for line in toml.splitlines() if "its heading says" in line}
    assert answer == {'# height_mm = "mm"', '# "part_volume_cm3" = "cm3"'}


def test_names_are_spelled_as_the_shop_file_has_them(tmp_path):
    rows = "Baujob,Maschine,Werkstoff\nK-1,Resin 1,Harz Grau\nK-2,resin-1,other\n"
    words = tomllib.loads(proposed(csv(tmp_path, rows), materials=("harz-grau", "pa12"))["toml"])["words"]
    assert words == {"machine": {"Resin 1": "resin-1"}, "material": {"Harz Grau": "harz-grau"}}


def test_what_is_not_known_is_asked_and_left_out(tmp_path):
    proposal = proposed(csv(tmp_path, "Job,Step,Date,Min\nB1,frobnicate,2026-01-05,5\nB1,wash + cure,2026-01-05,80\n"))
    assert tomllib.loads(proposal["toml"])["stages"] == {"wash + cure": "washing+post_curing"}
    assert any('what is "frobnicate" (1 row)?' in question for question in proposal["unsure"])
    assert any('is "wash + cure" (1 row) washing+post_curing?' in question for question in proposal["unsure"])


def test_all_sheets_of_one_kind_are_read_and_those_left_out_are_named(tmp_path):
    header = ["Job", "Task", "Began", "Done at"]
    rows = [["K-1", "wash", "2026-01-05 08:00", "2026-01-05 08:20"]]
    later = [["K-2", "sand", "2026-02-05 08:00", "2026-02-05 08:30"]]
    log = ods(
        tmp_path / "year.ods",
        {"Read me": [["How to"], ["Ask first"]], "Jan": [["January"], header, *rows], "Feb": [header, *later]},
    )
    proposal = proposed(log)
    assert tomllib.loads(proposal["toml"])["stages"] == {"wash": "washing", "sand": "sanding"}
    assert 'not read as this log: sheet "Read me"' in proposal["notes"]
    runs, document = runs_under(tmp_path, log, proposal["toml"], ["K-1", "K-2"])
    assert sorted(runs["work_min"]) == [20, 30]
    assert any('Jan: not read as this log: sheet "Read me".' in warning for warning in document["warnings"])


def test_weeks_and_sums_between_the_rows_and_sheets_that_are_no_log_are_passed_over(tmp_path):
    log = ods(
        tmp_path / "bench.ods",
        {
            "Read me": [["How to"], ["Ask first"]],
            "Bench": [
                ["Day", "From", "To", "Job", "Stage", "Finish"], ["Week 2"],
                ["2026-01-05", "08.43", "09.10", "K-1", "wash", "blasted"], ["2026-01-05", "10.00", "10.30", "K-1", "sand", "raw"],
                ["Total", "", "", "57 min"], ["Week 3"], ["Works holiday"],
                ["2026-01-12", "08.15", "08.55", "K-2", "wash", "raw"], ["2026-01-13", "08.15", "08.55", "K-2", "QC", "raw"],
            ],
        },
    )  # fmt: skip
    proposal = proposed(log)
    mapping = tomllib.loads(proposal["toml"])
    assert (mapping["sheet"], mapping["skip"], proposal["unsure"]) == ("Bench", ["Week", "Total", "Works holiday"], [])
    assert mapping["columns"]["stage"] == "Stage"  # as it stands in the file, though it is our own name too
    runs, document = runs_under(tmp_path, log, proposal["toml"], ["K-1", "K-2"])
    assert sorted(runs["work_min"]) == [27, 30, 40, 40]
    (file,) = document["files"]
    assert (file["rows_read"], file["rows_quarantined"]) == (4, 0)
    assert 'passed over, as the mapping says: 4 rows, such as "Week 2", "Total"' in file["notes"]


def test_a_word_that_begins_other_rows_too_skips_none(tmp_path):
    path = csv(
        tmp_path,
        "Job,Day,Task,Minutes\nWeek-1,2026-01-05,wash,20\nWeek 2,,,\nWeek-2,2026-01-06,wash,25\nWeek-3,2026-01-07,wash,25\n",
    )
    assert "skip" not in tomllib.loads(proposed(path)["toml"])


moments = st.datetimes(datetime(1995, 1, 1), datetime(2060, 1, 1)).map(lambda at: at.replace(second=0, microsecond=0))


@given(
    st.lists(moments, min_size=1, max_size=12),
    st.sampled_from([*DAY_FIRST, *MONTH_FIRST, *YEAR_FIRST]),
    st.sampled_from([clock for clock in CLOCKS if clock]),
)
@settings(max_examples=40, deadline=None)
def test_stamps_of_any_format_are_read_back_or_asked_about(stamps, day, clock):
    cells = [stamp.strftime(day + clock) for stamp in stamps]
    order, _, ask = formats_of({"started_at": cells})
    assert ask or [parsed(cell, order.formats["started_at"]) for cell in cells] == stamps


@given(st.lists(st.integers(1, 10**7), min_size=1, max_size=9), st.integers(1, 4), st.booleans(), st.booleans())
@settings(max_examples=80, deadline=None)
def test_numbers_of_either_decimal_mark_are_read_back_or_asked_about(numbers, places, comma, thousands):
    numbers = [number / 10**places for number in numbers]
    cells = [f"{number:{',' if thousands else ''}.{places}f}" for number in numbers]
    if comma:
        cells = [cell.translate(str.maketrans(",.", ".,")) for cell in cells]
    decimal, _, ask = decimal_of([cells])
    mapping = Mapping(kind="stages", decimal=decimal)
    _, read = mapping.apply(("work_min",), [Row(1, [cell]) for cell in cells])
    assert ask or [float(row.cells[0]) for row in read] == pytest.approx(numbers)


cells = st.one_of(
    st.text(max_size=12), st.sampled_from(["K-1", "wash", "START", "STOP", "1,5", "08:00", "05.01.2026", "?"])
)


@given(st.lists(st.dictionaries(cells, cells, min_size=1, max_size=5), min_size=1, max_size=5))
@example([{"": "STOP"}, {"": "START"}])
@settings(max_examples=25, deadline=None)
def test_whatever_stands_in_a_file_its_proposal_can_be_read_as_a_mapping(rows):
    with tempfile.TemporaryDirectory() as folder:
        log, toml = Path(folder) / "log.jsonl", Path(folder) / "log.map.toml"
        log.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        toml.write_text(propose_mapping(log, foreign_files.MACHINES, foreign_files.PLACES)["toml"], encoding="utf-8")
        assert read_mapping(toml).kind in KINDS


def test_a_file_of_empty_cells_is_said_to_be_empty(tmp_path):
    with pytest.raises(LogFileError, match="is empty"):
        proposed(csv(tmp_path, ",,,\n,,\n"))


def test_a_file_of_ours_is_said_to_need_no_mapping(tmp_path):
    ours = proposed(csv(tmp_path, "build_id,stage,date,work_min\nB1,washing,2026-01-05,20\n"))
    assert ours["notes"] == ["its columns are ours, so it needs no mapping: calib import FILE"]
    theirs = proposed(csv(tmp_path, "build_id,stage,date,work_min\nB1,wash,2026-01-05,20\n"))
    assert theirs["notes"] == []


CLOCKS_WITHOUT_COLON = {
    "08.43": ("09.20", False),
    "8.43": ("9.20", True),  # may be hours
    "08,43": ("09,20", False),
    "8h43": ("9h20", False),
    "0843": ("0920", False),
    "843": ("920", False),
    "8.43 Uhr": ("9.20 Uhr", False),
}


@pytest.mark.parametrize("start", CLOCKS_WITHOUT_COLON)
def test_a_time_of_day_without_a_colon_beside_a_real_date_is_the_time_that_people_mean(tmp_path, start):
    end, asks = CLOCKS_WITHOUT_COLON[start]
    proposal = proposed(_workbook(tmp_path, [start], end))
    assert bool(proposal["unsure"]) == asks, proposal["unsure"]
    (tmp_path / "m.toml").write_text(proposal["toml"], encoding="utf-8")
    mapping = read_mapping(tmp_path / "m.toml")
    names, rows = mapping.apply(
        ("Job", "Task", "Date", "Start", "End"), [Row(2, ["K-1", "wash", "2026-01-05", start, end])]
    )
    read = dict(zip(names, next(iter(rows)).cells, strict=True))
    assert (read["started_at"], read["ended_at"]) == ("2026-01-05T08:43:00", "2026-01-05T09:20:00")


def test_a_time_of_day_that_no_rule_reads_is_set_aside_and_not_taken_for_parts_of_a_second(tmp_path):
    clocks = ["08.43", "08,43", "8.4", "08:4", "08:43.5", "8-43"]
    mapping = (
        'kind = "stages"\n[columns]\nbuild_id = "Job"\nstage = "Task"\nstarted_at = ["Date", "Start"]\n'
        'ended_at = ["Date", "End"]\n[stages]\nwash = "washing"\n'
    )
    runs, document = runs_under(tmp_path, _workbook(tmp_path, clocks, "10:00"), mapping, ["K-1"])
    assert len(runs) == 0
    assert [one["value"] for one in document["quarantine"]] == [f"2026-01-05 {clock}" for clock in clocks]
    assert all("is not a time" in one["reason"] for one in document["quarantine"])


def _workbook(folder, starts, end):
    """Runs of a day that is a real date in its cell, times of day as text."""
    rows = [["K-1", "wash", date(2026, 1, 5), start, end] for start in starts]
    return ods(folder / "week.ods", {"week": [["Job", "Task", "Date", "Start", "End"], *rows]})
