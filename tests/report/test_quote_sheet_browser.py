"""The quote sheet as a browser shows and prints it: light and dark, phone, A4 and laptop."""

from __future__ import annotations

import json
import re
import shutil
import subprocess

import pytest
from quote_documents import comparison, full_document, order_document

from calib.report.compare_page import compare_page
from calib.report.quote_sheet import quote_sheet

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium found: the sheet was not looked at in a browser"),
]
WORDS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--allow-file-access-from-files",
    "--enable-logging=stderr",
    "--virtual-time-budget=4000",
    "--window-size=1400,1000",
]
# WCAG 2.2, 1.4.3: relative luminance and contrast (from memory); 4.5 : 1 for text
MEASURE = """<script>addEventListener("load", () => {
  const channel = v => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const rgba = text => { const n = text.match(/[\\d.]+/g).map(Number); return n.length > 3 ? n : [...n, 1]; };
  const light = c => 0.2126 * channel(c[0]) + 0.7152 * channel(c[1]) + 0.0722 * channel(c[2]);
  const under = e => { for (; e; e = e.parentElement) {
    const c = rgba(getComputedStyle(e).backgroundColor); if (c[3] > 0) return c; } return [255, 255, 255, 1]; };
  const worst = {ratio: 99, text: ""};
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim(), parent = walker.currentNode.parentElement;
    if (!text || parent.closest("style, script, title, [hidden]") || !parent.getClientRects().length) continue;
    const style = getComputedStyle(parent), ink = rgba(parent.closest("svg") ? style.fill : style.color);
    const [a, b] = [light(ink), light(under(parent))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < worst.ratio) { worst.ratio = ratio; worst.text = text; }
  }
  const page = document.documentElement;
  document.title = "measured " + JSON.stringify({overflow: page.scrollWidth - page.clientWidth, contrast: worst.ratio,
    text: worst.text, dark: light(under(document.body)) < 0.2,
    requests: performance.getEntriesByType("resource").filter(e => !e.name.startsWith("data:")).length});
});</script>"""
WIDTHS = (390, 794, 1280)


def measured(tmp_path, pages: dict[str, str], dark: bool) -> tuple[dict[str, dict], str]:
    """What the browser finds in each page, each in a frame of its width (the number in its name); and its log."""
    frames = ""
    for name, html in pages.items():
        assert "</head>" in html
        (tmp_path / f"{name}.html").write_text(html.replace("</head>", MEASURE + "</head>"), encoding="utf-8")
        width = re.search(r"\d+", name)[0]
        frames += f'<iframe id="{name}" src="{name}.html" style="width:{width}px;height:900px;border:0"></iframe>'
    collect = """<script>addEventListener("load", () => setTimeout(() => {
      const told = {}; for (const f of document.querySelectorAll("iframe")) told[f.id] = f.contentDocument.title;
      document.title = JSON.stringify(told); }, 500));</script>"""
    outer = tmp_path / "outer.html"
    outer.write_text(frames + collect, encoding="utf-8")
    scheme = [f"--blink-settings=preferredColorScheme={0 if dark else 1}"]
    ran = run([*WORDS, *scheme, "--dump-dom", outer.as_uri()], tmp_path)
    told = json.loads(re.search(r"<title>(\{.*?\})</title>", ran.stdout)[1].replace("&quot;", '"'))
    return {name: json.loads(text.removeprefix("measured ")) for name, text in told.items()}, ran.stderr


def run(words: list[str], tmp_path) -> subprocess.CompletedProcess:
    return subprocess.run(
        [CHROMIUM, *words, f"--user-data-dir={tmp_path / 'profile'}"], capture_output=True, text=True, timeout=90
    )


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_reads_well_at_every_width(tmp_path, dark):
    sheets = {
        "outward": quote_sheet(full_document(), "outward"),
        "inward": quote_sheet(full_document(), "inward"),
        "order": quote_sheet(order_document(), "outward"),
        "compared": compare_page(comparison()),
    }
    pages = {f"{name}{width}": sheet for name, sheet in sheets.items() for width in WIDTHS}
    found, log = measured(tmp_path, pages, dark)
    assert len(found) == len(pages)
    for name, one in found.items():
        assert one["overflow"] <= 0, name
        assert one["requests"] == 0, name
        assert one["dark"] == dark, name
        assert one["contrast"] >= 4.5, f"{name}: {one['text']!r} has {one['contrast']:.2f}"
    assert "CONSOLE" not in log


def test_the_measure_finds_pale_text_and_what_sticks_out(tmp_path):
    bad = '<html><head></head><body><p style="color:#999">pale</p><div style="width:500px">wide</div></body></html>'
    found, _ = measured(tmp_path, {"bad390": bad}, dark=False)
    assert found["bad390"]["text"] == "pale"
    assert found["bad390"]["contrast"] == pytest.approx(2.85, abs=0.01)  # #999 on white
    assert found["bad390"]["overflow"] > 100


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(
    ("document", "edition", "most"),
    [
        (full_document, "outward", 1),
        (full_document, "inward", 2),
        (order_document, "outward", 1),
        (order_document, "inward", 2),
    ],
    ids=["outward", "inward", "order outward", "order inward"],
)
def test_it_prints_on_one_page_outward_and_two_inward(tmp_path, document, edition, most, paper):
    page = quote_sheet(document(), edition)
    assert "size: A4" in page
    (tmp_path / "sheet.html").write_text(page.replace("size: A4", f"size: {paper}"), encoding="utf-8")
    out = tmp_path / "sheet.pdf"
    run([*WORDS, "--no-pdf-header-footer", f"--print-to-pdf={out}", (tmp_path / "sheet.html").as_uri()], tmp_path)
    pdf = out.read_bytes()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= most
    points = float(re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+)", pdf)[1])
    assert points == pytest.approx({"A4": 595, "Letter": 612}[paper], abs=1)
