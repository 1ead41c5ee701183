"""Pages as a headless browser sees them: measured in frames of a width, printed, and their log."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib
from html import unescape as html_text
from importlib.util import find_spec
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
WIDTHS = (390, 794, 1280)
LEAST_LINES = 5  # of a printed page that is worth its paper: a heading and a small table
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
  const worst = {ratio: 99, text: ""}, least = {px: 99, text: ""}, out = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim(), parent = walker.currentNode.parentElement;
    if (!text || parent.closest("style, script, title, [hidden]") || !parent.getClientRects().length) continue;
    const style = getComputedStyle(parent), svg = parent.closest("svg"), ink = rgba(svg ? style.fill : style.color);
    const [a, b] = [light(ink), light(under(parent))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < worst.ratio) { worst.ratio = ratio; worst.text = text; }
    const box = svg?.getBoundingClientRect(), view = svg?.viewBox.baseVal;
    const scale = svg ? Math.min(box.width / view.width, box.height / view.height) : 1;
    const px = parseFloat(style.fontSize) * scale;
    if (px < least.px) { least.px = px; least.text = text; }
    const place = parent.getBoundingClientRect(), frame = svg?.getBoundingClientRect();
    if (svg && (place.left < frame.left - 1 || place.right > frame.right + 1)) out.push(text);
  }
  const over = [];
  for (const picture of document.querySelectorAll("svg, table.dots")) {
    const range = document.createRange(), words = document.createTreeWalker(picture, NodeFilter.SHOW_TEXT), boxes = [];
    while (words.nextNode()) {
      const word = words.currentNode;
      if (!word.textContent.trim() || word.parentElement.closest("title, desc, .unseen")) continue;
      range.selectNodeContents(word);
      for (const box of range.getClientRects()) if (box.width) boxes.push([word.textContent.trim(), box]);
    }
    boxes.forEach(([a, one], i) => boxes.slice(i + 1).forEach(([b, other]) => {
      const wide = Math.min(one.right, other.right) - Math.max(one.left, other.left);
      const high = Math.min(one.bottom, other.bottom) - Math.max(one.top, other.top);
      if (wide > 1 && high > 0.4 * Math.min(one.height, other.height)) over.push(a + " / " + b);
    }));
  }
  const page = document.documentElement;
  document.title = "measured " + JSON.stringify({overflow: page.scrollWidth - page.clientWidth, contrast: worst.ratio,
    text: worst.text, dark: light(under(document.body)) < 0.2, smallest: least.px, small_text: least.text, cut: out, over,
    requests: performance.getEntriesByType("resource").filter(e => !e.name.startsWith("data:")).length});
});</script>"""


def axe_source() -> str:
    """The script of axe-core, rules of accessibility, as a package of the registry carries it."""
    return (Path(find_spec("axe_playwright_python").submodule_search_locations[0]) / "axe.min.js").read_text("utf-8")


# what of a page breaks a rule: its name and where; frames are pages of their own
AXE = """axe.run(document, {resultTypes: ["violations"], iframes: false}).then(found => found.violations.map(
  rule => rule.id + ": " + rule.nodes.map(node => node.target.join(" ")).join(", ")))"""


def axe_script() -> str:
    """For ``measured``: the title becomes the list of what breaks a rule."""
    source = axe_source().replace("</script", "<\\/script")
    tell = f'addEventListener("load", () => {AXE}.then(found => {{ document.title = "measured " + JSON.stringify(found); }}));'
    return f"<script>{source}</script><script>{tell}</script>"


def measured(tmp_path, pages: dict[str, str], dark: bool, script: str = MEASURE) -> tuple[dict, str]:
    """What the script finds in each page, each in a frame of its width (the number in its name); and the browser's log."""
    frames = ""
    for name, html in pages.items():
        assert "</head>" in html
        (tmp_path / f"{name}.html").write_text(html.replace("</head>", script + "</head>"), encoding="utf-8")
        width = re.search(r"\d+", name)[0]
        frames += f'<iframe id="{name}" src="{name}.html" style="width:{width}px;height:900px;border:0"></iframe>'
    collect = """<script>addEventListener("load", () => setTimeout(() => {
      const titles = {}; for (const f of document.querySelectorAll("iframe")) titles[f.id] = f.contentDocument.title;
      document.title = JSON.stringify(titles); }, 500));</script>"""
    outer = tmp_path / "outer.html"
    outer.write_text(frames + collect, encoding="utf-8")
    scheme = [f"--blink-settings=preferredColorScheme={0 if dark else 1}"]
    ran = run([*WORDS, *scheme, "--dump-dom", outer.as_uri()], tmp_path)
    answer = json.loads(html_text(re.search(r"<title>(\{.*?\})</title>", ran.stdout)[1]).replace("\xa0", " "))
    return {name: json.loads(text.removeprefix("measured ")) for name, text in answer.items()}, ran.stderr


def run(words: list[str], tmp_path) -> subprocess.CompletedProcess:
    return subprocess.run(
        [CHROMIUM, *words, f"--user-data-dir={tmp_path / 'profile'}"], capture_output=True, text=True, timeout=180
    )


def printed(tmp_path, html: str) -> bytes:
    """The page as PDF."""
    page, out = tmp_path / "printed.html", tmp_path / "printed.pdf"
    page.write_text(html, encoding="utf-8")
    run([*WORDS, "--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri()], tmp_path)
    return out.read_bytes()


def lines_of_pages(pdf: bytes) -> list[int]:
    """Of each printed page the lines of text: heights at which words begin, by the operators of its stream.

    ISO 32000-1:2008, 9.4.2: Tm sets where text begins; the browser writes one content stream for each page, deflated.
    """
    objects = {
        int(number): body for number, body in re.findall(rb"(?<!\d)(\d+) 0 obj\b(.*?)\bendobj", pdf, flags=re.DOTALL)
    }
    lines = []
    for body in objects.values():
        if re.search(rb"/Type\s*/Page\b", body):
            stream = objects[int(re.search(rb"/Contents (\d+) 0 R", body)[1])].partition(b"stream")[2].lstrip(b"\r\n")
            drawn = zlib.decompressobj().decompress(stream)
            lines.append(len(set(re.findall(rb"(-?[\d.]+) Tm\b", drawn))))
    return lines
