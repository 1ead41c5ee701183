"""A card to print and hang at a bench: a table to fill by pen, the words for stages; on its back the cautions of the trade."""

from __future__ import annotations

import html
from collections.abc import Mapping

from calib.records import PROCESSES, ROUTES
from calib.safety import FOLLOW, cautions_of_all, take_care

LINES = 18
COLUMNS = (  # heading, share of the table's width in per cent, an example
    ("date", 8, "12 Jan"), ("build or order", 15, "B104+B105"), ("stage", 15, "washing"), ("start", 7, "09:10"),
    ("end", 7, "09:32"), ("found", 6, ""), ("again", 6, ""), ("station", 11, "wash"), ("who", 7, "AQ"), ("pauses, min", 7, "5"),
    ("note", 11, ""),
)  # fmt: skip
NEEDED = ("date", "build or order", "stage", "start", "end")
STYLE = """
@page { size: A4 landscape; margin: 9mm }
* { box-sizing: border-box }
body { font: 8.5pt/1.3 sans-serif; margin: 0; color: #111; background: #fff }
main { max-width: 279mm; margin: auto }
.front { display: grid; grid-template-columns: 1fr 46mm; gap: 5mm }
h1 { font-size: 15pt; margin: 0 }
h2 { font-size: 9.5pt; margin: 0 0 1mm }
p { margin: 1mm 0 }
table { width: 100%; border-collapse: collapse; table-layout: fixed; margin-top: 2mm }
th, td { border: 0.3mm solid #555; height: 8.4mm; padding: 0 1.2mm; text-align: left; font-weight: normal }
th { height: 6mm; background: #eee }
th.needed { font-weight: bold }
td.example { color: #767676; font-style: italic }
aside { font-size: 9pt; line-height: 1.25; overflow-wrap: anywhere }
.back { font-size: 9.5pt; break-before: page; columns: 2; column-gap: 8mm }
.back h2 { font-size: 12pt; column-span: all }
.back p { margin: 1.2mm 0; break-inside: avoid }
@media screen { body { padding: 4mm } }
@media screen and (max-width: 70rem) { .front { display: block } .front > div { overflow-x: auto } table { min-width: 62rem } .back { columns: 1 } }
"""


def bench_card(
    stations: tuple[str, ...] = (),
    own: Mapping[str, str] | None = None,
    machines: tuple[str, ...] = (),
    stages: tuple[str, ...] = (),
    processes: tuple[str, ...] = (),
) -> str:
    """Front and back of one A4 sheet, landscape, as HTML that needs nothing else.

    own : cautions of the shop's own stages; stages, processes : those of the shop, all that are known where there are none
    """
    processes = processes or tuple(PROCESSES)
    widths = "".join(f'<col style="width:{width}%">' for _, width, _ in COLUMNS)
    head = "".join(
        f'<th class="needed">{name} *</th>' if name in NEEDED else f"<th>{name}</th>" for name, _, _ in COLUMNS
    )
    example = "".join(f'<td class="example">{text}</td>' for _, _, text in COLUMNS)
    lines = ("<tr>" + "<td></td>" * len(COLUMNS) + "</tr>") * LINES
    named = {"Machines": machines, "Stations": stations}
    places = "".join(f"<p>{what}: {html.escape(', '.join(ids))}</p>" for what, ids in named.items() if ids)
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>Bench card</title><style>{STYLE}</style></head><body><main><section class="front"><div tabindex="0" role="region" aria-label="Table to fill, can be scrolled">
<h1>Bench card</h1>
<p>One line for each piece of work: when hands or a machine began and when they ended. Several builds in one load: join
their numbers with +. You only saw later that it had ended? Tick <b>found</b>. Second try? Tick <b>again</b>. * needed.</p>
<table><colgroup>{widths}</colgroup><tr>{head}</tr><tr>{example}</tr>{lines}</table></div>
<aside><h2>Words for stages</h2>{_words(processes, stages)}{places}<p><b>{html.escape(take_care(processes))} More on the back.</b></p></aside></section>
<section class="back"><h2>Take care</h2>{_cautions(own or {}, processes)}</section></main></body></html>
"""


def _words(processes: tuple[str, ...], stages: tuple[str, ...]) -> str:
    """Stages of all the lab's processes once, then what each process has besides, then the lab's own."""
    routes = {code: [stage for stage in ROUTES[code] if stage in (stages or ROUTES[code])] for code in processes}
    shared = [stage for stage in routes[processes[0]] if all(stage in route for route in routes.values())]
    own = {code: [stage for stage in route if stage not in shared] for code, route in routes.items()}
    more = [stage for stage in stages if not any(stage in route for route in routes.values())]
    lines = [("all", shared), *own.items(), ("also", more)]
    return "".join(f"<p><b>{name}</b> {html.escape(', '.join(words))}</p>" for name, words in lines if words)


def _cautions(own: Mapping[str, str], processes: tuple[str, ...]) -> str:
    """What the trade says of the lab's processes, and the lab of its own stages."""
    return f"<p>{html.escape(FOLLOW)}</p>" + "".join(
        f"<p><b>{html.escape(_where(whose, stages))}:</b> {html.escape(text)}</p>"
        for whose, stages, text in cautions_of_all(own)
        if not whose or set(whose) & set(processes)
    )


def _where(processes: tuple[str, ...], stages: tuple[str, ...]) -> str:
    who = "" if len(processes) in (0, len(PROCESSES)) else f"{', '.join(processes)} "
    return who + ", ".join(stage.replace("_", " ") for stage in stages)
