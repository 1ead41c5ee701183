"""Quotes and comparisons on a terminal: what is said first, what is said at all."""

from __future__ import annotations

from quote_documents import comparison, option, quote_document, tied

from calib.report.terminal_compare import show_compare
from calib.report.terminal_quote import show_quote


def test_the_terminal_says_what_to_promise_and_why():
    text = show_quote(quote_document(), stages=True)
    assert (
        "Promise Thu 3 Dec 18:00: 93 of 100 such jobs are ready by then (9 of 10 asked for, rounded up to the half day; VPP vpp1, 100 GBP)."
        in text
    )
    assert "Wanted by Thu 3 Dec 12:00: VPP vpp1 (100) keeps it 83 of 100 times." in text
    assert "1 of 4 stages not yet learned" in text
    assert "Out: pbf1 (PBF): too large." in text
    assert "calib accept Q00007" in text


def test_cautions_and_warnings_of_every_process_on_offer_are_told_once():
    hot, dust = {"stages": ["printing"], "text": "Hot."}, {"stages": ["breakout"], "text": "Dust."}
    options = [
        option("VPP", "vpp1", cautions=[hot], warnings=["a"]),
        option("PBF", "pbf1", cautions=[hot, dust], warnings=["a", "b"]),
        option("PBF", "pbf2", cautions=[hot, dust], warnings=["c"]),
    ]
    lines = show_quote(quote_document(options=options), stages=True).splitlines()
    assert [line for line in lines if line.startswith("Caution")] == [
        "Caution (VPP printing): Hot.", "Caution (PBF printing): Hot.", "Caution (PBF breakout): Dust.",
    ]  # fmt: skip
    assert any(line.startswith("Follow the safety data sheets") for line in lines)
    lines = show_quote(quote_document(options=options)).splitlines()
    assert [line for line in lines if "Caution" in line or "Take care" in line] == [
        "Take care, VPP: uncured resin, solvent vapour, UV light; PBF: combustible dust, hot core, laser, inert gas. At each "
        "stage: the internal copy and the bench card.",
    ]  # fmt: skip
    assert [line for line in lines if line.startswith("Note")] == [
        "Note: a",
        "Note (PBF): b",
        "Note: Not judged: strength.",
    ]


def test_an_assumed_unit_is_said_first():
    doc = quote_document(notes=["Not judged: heat.", "The file states no unit; its numbers may be inch."])
    assert show_quote(doc).splitlines()[0].startswith("The file states no unit")


def test_a_later_start_is_told_where_it_is_better():
    text = "Start the first build at 16:30 on Tue 1 Dec: printing then ends in staffed hours 90 of 100 times."
    answer = show_quote(quote_document() | {"start_advice": {"moved": True, "text": text}})
    assert text in " ".join(answer.split())
    assert "Start the first build" not in show_quote(
        quote_document() | {"start_advice": {"moved": False, "text": text}}
    )


def test_another_year_is_written():
    doc = quote_document(options=[option("VPP", "vpp1", (800, 900, 1000))], due=None)
    assert "Promise Tue 12 Jan 2027 18:00: " in show_quote(doc)


def test_a_reason_that_several_machines_share_is_said_once():
    out = [{"process": "MEX", "machine": name, "reason": "the mesh is open"} for name in ("a", "b", "c")]
    text = show_quote(quote_document(out=out))
    assert text.count("the mesh is open") == 1
    assert "a (MEX), b (MEX), c (MEX)" in text


def test_a_whole_day_asked_for_is_its_end():
    assert "wanted by the end of Thu 3 Dec." in show_quote(quote_document(due="2026-12-04T00:00+01:00"))


def test_a_date_that_nothing_keeps_is_said():
    doc = quote_document(options=[option("VPP", "vpp1", on_time=0.0)])
    assert "Wanted by Thu 3 Dec 12:00: no option keeps it." in show_quote(doc)


def test_options_that_chance_alone_puts_first_are_named_with_the_cheaper():
    both = [tied("MEX", "m1", 80.0), tied("VPP", "vpp1")]
    given = {"ties": both[:1], "cheapest": both[0]}
    options = [option("VPP", "vpp1"), option("MEX", "m1")]
    text = " ".join(show_quote(quote_document(options=options, keep_due=both, promise=given)).split())
    assert "Too close to call: MEX m1 (80) keeps it too." in text
    assert "Cheapest: Thu 3 Dec 18:00, MEX m1 (80)." in text
    assert "MEX m1 (80) and VPP vpp1 (100) keep it 83 of 100 times; MEX m1 (80) is the cheapest." in text
    both[0]["chance"] = 0.79
    text = " ".join(show_quote(quote_document(options=options, keep_due=both, promise=given)).split())
    assert "MEX m1 (80) and VPP vpp1 (100) keep it 79 of 100 times or more; MEX m1 (80) is the cheapest." in text


def test_a_comparison_names_its_flips_and_marks_the_soonest():
    text = show_compare(comparison())
    assert "1 to 5 parts: MEX first, 8 of 10 times or more." in text
    assert "10 to 20 parts: too close to call between MEX, VPP and PBF." in text
    assert next(line for line in text.splitlines() if line.split()[:1] == ["10"]).count("*") == 0
    row = next(line for line in text.splitlines() if line.split()[:1] == ["1"])
    assert row.index("*") < row.index("13 h")  # MEX, the first column, is soonest for one part
    assert "first: MEX" in text
    assert "hands: PBF" in text


def test_a_narrow_terminal_gets_the_table_without_bars_and_no_value_is_cut(monkeypatch):
    doc = quote_document(options=[option("VPP", "a-machine-of-a-long-name", on_time=0.9999), option("PBF", "p1")])
    monkeypatch.setenv("COLUMNS", "130")
    assert "#" in show_quote(doc)
    monkeypatch.setenv("COLUMNS", "76")
    narrow = show_quote(doc, stages=True)
    assert "#" not in narrow
    table = [line for line in narrow.splitlines() if "over 99 %" in line]
    assert len(table) == 1
    assert "a-machine-of-a-long-name" in narrow
    assert max(map(len, narrow.splitlines()[1:6])) <= 76


def test_how_a_part_lies_is_said_beside_the_stages_only():
    pose = {"part": "clip.stl", "lies": "on the file's y+ side", "fixed": False, "size_mm": [70.0, 55.04, 1240.0],
            "support_cm3": 0.249}  # fmt: skip
    doc = quote_document(options=[option("PBF", "bed-1", poses=[pose])])
    says = "PBF prints clip.stl lying on the file's y+ side (70 × 55 × 1240 mm; supports 0.249 cm³)."
    assert says in show_quote(doc, stages=True)
    assert "lying" not in show_quote(doc)
