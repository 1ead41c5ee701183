"""The bench card prints on front and back of one A4 sheet, with the stations of a new shop."""

from __future__ import annotations

import html
import re
import shutil
import subprocess

import pytest

from calib.logs.bench_card import COLUMNS, LINES, bench_card
from calib.records import STAGES
from calib.safety import CAUTIONS, FOLLOW

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def test_every_stage_and_every_caution_stands_there_once():
    page = bench_card(("wash <b>", "cure"), {"vapour_smoothing": "Flammable <vapour>."})
    assert all(re.search(rf"\b{stage}\b", page) for stage in STAGES)
    for _, _, caution in CAUTIONS:
        assert page.count(f"</b> {html.escape(caution)}</p>") == 1
    assert html.escape(FOLLOW) in page
    assert "vapour smoothing:</b> Flammable &lt;vapour&gt;." in page
    assert "wash &lt;b&gt;, cure" in page
    assert sum(width for _, width, _ in COLUMNS) == 100
    assert (
        min(map(float, re.findall(r"font(?:-size)?: ([\d.]+)pt", page[page.index("aside {") :]))) >= 9
    )  # cautions can be read
    assert {"found", "again"} <= {name for name, _, _ in COLUMNS}  # what the log has columns for


def test_a_lab_finds_its_own_stages_machines_and_cautions_and_no_others():
    page = bench_card(("wash",), {}, ("ext-1",), ("printing", "support_removal", "vapour_smoothing"), ("MEX",))
    words = page[page.index("Words for stages") : page.index("Take care,")]
    assert re.findall(r"<p>(.*?)</p>", words) == [
        "<b>all</b> printing, support_removal", "<b>also</b> vapour_smoothing", "Machines: ext-1", "Stations: wash",
    ]  # fmt: skip
    assert "Hot nozzle" in page
    assert "combustible" not in page
    assert re.findall(r'class="needed">([^*]+) \*', page) == ["date", "build or order", "stage", "start", "end"]


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the card was not printed")
def test_it_prints_on_front_and_back_of_an_a4_sheet(tmp_path):
    (tmp_path / "card.html").write_text(
        bench_card(("wash", "cure", "powder_bench", "blast_cabinet", "bench-1")), "utf-8"
    )
    words = (
        "--headless --no-sandbox --disable-gpu --no-first-run --disable-background-networking --no-pdf-header-footer"
    )
    subprocess.run(
        [CHROMIUM, *words.split(), f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'card.pdf'}",
         (tmp_path / "card.html").as_uri()],
        capture_output=True, timeout=60, check=True,
    )  # fmt: skip
    pdf = (tmp_path / "card.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2
    (box,) = set(re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf))
    assert [round(float(side) / 72 * 25.4) for side in box.split()] == [0, 0, 297, 210]
    assert bench_card().count("<tr>") == LINES + 2
