"""Ask: a part, three fields, a date; how sure, why, what if; promise it or not."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, BinaryIO
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from calib.documents.promises import DateByChance, ListedQuote, StoredQuote
from calib.documents.quote import Agreed, QuoteDocument
from calib.documents.shop import Side
from calib.errors import CalibError, MeshError, UsageError
from calib.records import FINISHES
from calib.report.dots import page_calendar, rows_of
from calib.report.quote_figures import drawing
from calib.report.quote_sentences import advice, basis, by_reason, cautions_of, due_words, first_of_each, when_to_start
from calib.report.quote_sheet import quote_sheet
from calib.report.units import times
from calib.safety import FOLLOW
from calib.serve.forms import after_work, file_name, sent_form, text_of, whole_of, word_of
from calib.serve.pages import page, site_of
from calib.serve.pdf import find_browser, printed
from calib.serve.site import MOST_QUOTES, Site, keep_last
from calib.serve.uploads import Upload
from calib.shop.read_shop import read_shop
from calib.workflow import ask as work
from calib.workflow.accept import accept, undo
from calib.workflow.order import OrderedPart, QuoteAsk
from calib.workflow.quote import quote_lines
from calib.workflow.quotes import list_quotes
from calib.workflow.what_if import what_if_lines

SURE = {0.5: "as likely as not", 0.8: "likely", 0.9: "sure", 0.95: "very sure"}
FINISH_WORDS = {
    "": "as usual",
    "as_built": "as built",
    "supports_off": "supports off",
    "blasted": "blasted",
    "sanded": "sanded",
}
UNITS = {"": "as the file says", "mm": "mm", "cm": "cm", "inch": "inch"}
WHAT_IFS = {
    "tomorrow": "we start tomorrow",
    "first": "it goes first",
    "machine": "there is one more machine",
    "saturday": "somebody is there on Saturday",
}
COPIES = {"html": "text/html", "pdf": "application/pdf"}
MOST_LINES = 20
MOST_LISTED = 8
MOST_NAMED = 3


async def start(request: Request) -> Response:
    site = site_of(request)
    given = await run_in_threadpool(_promised, site)
    return page(
        request,
        "ask_start.html",
        known=list(work.parts_in_shop(site.folder)),
        given=given,
        before=[],
        filled={},
        error="",
        units=None,
    )


def _promised(site: Site) -> list[ListedQuote]:
    try:
        return [quote for quote in list_quotes(site.folder)["quotes"] if quote["accepted_at"]][:MOST_LISTED]
    except CalibError:
        return []


async def take_part(request: Request) -> Response:
    """A dropped file, or a part that the shop has, joins the parts that were brought before.

    Raises UsageError where no part was chosen.
    """
    site = site_of(request)
    async with sent_form(request) as form:
        before = [token for token in form.getlist("p") if isinstance(token, str)][: MOST_LINES - 1]
        filled = _filled(form, before)
        if without := text_of(form, "without", "The part", 40):
            return _to_parts([token for token in before if token != without], filled)
        unit = word_of(form, "unit", "The unit", tuple(UNITS), "") or None
        upload = form.get("file")
        known = text_of(form, "known", "The part")
        if isinstance(upload, UploadFile) and upload.filename:
            name = file_name(upload.filename)
            reading = run_in_threadpool(_read_sent, site, name, upload.file, unit)
        elif known in (there := work.parts_in_shop(site.folder)):
            name, reading = known, run_in_threadpool(work.read_for_ask, site.folder, there[known], unit)
        else:
            raise UsageError("No part was chosen.", "Drop its file on the field, or choose one of the list.")
        try:
            kept = site.uploads.keep(await reading)
        except MeshError as error:
            values = {"known": list(work.parts_in_shop(site.folder)), "given": [], "before": before, "filled": filled}
            sentence = on_page(f"{error.message} {error.hint}")
            return page(request, "ask_start.html", 422, error=sentence, units=UNITS, asked=name, **values)
    instead = _other_unit(site, before, kept)
    if instead:
        filled = {name.replace(instead, kept.token): value for name, value in filled.items()}
        return _to_parts([kept.token if token == instead else token for token in before], filled)
    return _to_parts([*before, kept.token], filled)


def _filled(form: FormData, tokens: list[str]) -> dict[str, str]:
    """What stands in the three fields of the parts, which may be nonsense still."""
    names = ["due", *(f"{field}-{token}" for token in tokens for field in ("qty", "finish"))]
    return {name: value[:40] for name in names if isinstance(value := form.get(name), str) and value}


def _to_parts(tokens: list[str], filled: dict[str, str]) -> Response:
    query = urlencode([*(("p", token) for token in tokens), *filled.items()])
    return RedirectResponse(f"/ask/parts?{query}", 303)


def _other_unit(site: Site, before: list[str], new: Upload) -> str | None:
    """The part among those before of which this is the same file in another unit: it takes its place."""
    mesh = new.part.mesh
    same = (
        token
        for token in before
        if (old := site.uploads.find(token)) and old.part.mesh.sha256 == mesh.sha256 and old.part.mesh.unit != mesh.unit
    )
    return next(same, None)


def on_page(sentence: str) -> str:
    """A sentence of the command about a unit, as the page has it.

    >>> on_page("Its numbers may be inch: then say --unit inch. If it is mm, say --unit mm.")
    'Its numbers may be inch: then choose inch below. If it is mm, choose mm below.'
    """
    sentence = re.sub(r"say --unit (\w+)", r"choose \1 below", sentence)
    return sentence.replace("State the unit with --unit", "Choose its unit below").replace("--unit", "the unit below")


def _read_sent(site: Site, name: str, data: BinaryIO, unit: str | None) -> work.ReadPart:
    read: work.ReadPart = site.uploads.take(name, data, lambda path: work.read_for_ask(site.folder, path, unit))
    return read


async def parts(request: Request) -> Response:
    """The parts as they were understood, and the three fields."""
    site = site_of(request)
    shown = [_part_view(_upload(site, token)) for token in request.query_params.getlist("p")[:MOST_LINES]]
    if not shown:
        return RedirectResponse("/ask", 303)
    today = site.now()
    return page(
        request,
        "ask_parts.html",
        filled=dict(request.query_params),
        can_be_made=not any(part["is_open"] for part in shown),
        parts=shown,
        finishes=FINISH_WORDS,
        units=UNITS,
        earliest=today.date().isoformat(),
        known=list(work.parts_in_shop(site.folder)),
    )


def _upload(site: Site, token: str) -> Upload:
    upload = site.uploads.find(token)
    if upload is None:
        raise UsageError("That part is not kept here any more.", "Bring it again; nothing else was lost.")
    return upload


def _part_view(upload: Upload) -> dict[str, Any]:
    mesh = upload.part.mesh
    size = " x ".join(f"{side:.0f}" if side >= 10 else f"{side:.1f}" for side in upload.part.size_mm)
    return {
        "token": upload.token,
        "name": mesh.name,
        "size": size,
        "drawing": {"part": mesh.name, **drawing(upload.part.views)},
        "faults": [on_page(note) for note in mesh.notes],
        "bodies": mesh.bodies,
        "is_open": math.isnan(mesh.volume_mm3),
        "unit": mesh.unit,
    }


async def answer(request: Request) -> Response:
    """Three fields and the parts -> a quote; it is a look until somebody promises it.

    Raises UsageError where no part was chosen.
    """
    site = site_of(request)
    async with sent_form(request) as form:
        tokens = [token for token in form.getlist("p") if isinstance(token, str)][:MOST_LINES]
        uploads = [_upload(site, token) for token in tokens]
        if not uploads:
            raise UsageError("No part was chosen.", "Bring one first.")
        lines = [_line(form, upload) for upload in uploads]
        due = text_of(form, "due", "By when", 30) or None
    name = _name_of(lines)

    def asking() -> str:
        document = site.run(quote_lines, site.folder, lines, QuoteAsk(due=due), name=None if len(lines) == 1 else name)
        name_of_quote = document["quote_id"] or ""
        site.lines[name_of_quote] = [
            (token, replace(line, mesh=None)) for token, line in zip(tokens, lines, strict=True)
        ]
        keep_last(site.lines, MOST_QUOTES)
        return f"/ask/answer/{name_of_quote}"

    return await after_work(request, asking)


def _name_of(lines: Sequence[OrderedPart]) -> str:
    """By its parts, the first MOST_NAMED of them: a list of promises shows nothing else of what is in an order."""
    named, more = [line.part.name for line in lines[:MOST_NAMED]], len(lines) - MOST_NAMED
    return " + ".join(named) + (f" + {more} more" if more > 0 else "")


def _line(form: FormData, upload: Upload) -> OrderedPart:
    label = upload.part.mesh.name
    quantity = whole_of(form, f"qty-{upload.token}", f"How many of {label}", 1, 100_000)
    finish = word_of(form, f"finish-{upload.token}", f"The finish of {label}", ("", *FINISHES), "") or None
    return work.order_line(upload.part, quantity, finish)


async def show(request: Request) -> Response:
    site = site_of(request)
    given = await run_in_threadpool(work.find_given, site.folder, request.path_params["quote"])
    sure = _sure(request.query_params.get("sure"), given["document"])
    values = await run_in_threadpool(_answer_view, site, given, sure)
    return page(request, "ask_answer.html", **values)


def _sure(text: str | None, document: QuoteDocument) -> float:
    asked = next((sure for sure in SURE if str(sure) == text), None)
    return asked or min(SURE, key=lambda sure: abs(sure - document["sure"]))


def _answer_view(site: Site, given: StoredQuote, sure: float) -> dict[str, Any]:
    document, shop = given["document"], read_shop(site.folder)
    options = first_of_each(document["options"])
    best, start_at = document["options"][0], document["start"]
    dates = work.dates_by_chance(document, best, shop)
    chosen = next(date for date in dates if date["sure"] == sure)
    quote_id = given["quote_id"]
    accepted = _agreed(given, site.now())
    return {
        "quote": document,
        "finishes": FINISH_WORDS,
        "quote_id": quote_id,
        "option": best,
        "options": options,
        "dates": _in_words(dates),
        "chosen": chosen,
        "one_date": len({date["promised_at"] for date in dates}) == 1,
        "start": start_at,
        "calendar": page_calendar(
            rows_of(options, start_at), start_at, document.get("closed_days", ()), document.get("due")
        ),
        "why": [
            advice(document) if sure == document["sure"] else f"At {times(document['sure'])}: {advice(document)}",
            *when_to_start(document),
            basis(best),
        ],
        "out": by_reason(document.get("out") or ()),
        "cautions": cautions_of([best]),
        "follow": FOLLOW,
        "agreed": accepted,
        "can_print": find_browser() is not None,
        "what_ifs": WHAT_IFS if _lines_of(site, quote_id) else {"first": WHAT_IFS["first"]},
        "found": {which: site.what_ifs[quote_id, which] for which in WHAT_IFS if (quote_id, which) in site.what_ifs},
        "due_words": due_words(due, start_at) if (due := document.get("due")) else None,
    }


def _in_words(dates: Sequence[DateByChance]) -> list[dict[str, Any]]:
    """Each with its word, and the first word that has the same date, '' where it is the first."""
    first: dict[str, str] = {}
    worded = []
    for date in dates:
        word = SURE[date["sure"]]
        earliest = first.setdefault(date["promised_at"], word)
        worded.append(date | {"word": word, "same_as": "" if earliest == word else earliest})
    return worded


def _agreed(given: StoredQuote, now: datetime) -> dict[str, Any] | None:
    if given["accepted_at"] is None or given["due_at"] is None:
        return None
    option = given["document"]["options"][given["accepted_option"] or 0]
    return {
        "promised_at": given["due_at"].astimezone(now.tzinfo).isoformat(),
        "process": option["process"],
        "machine": option["machine"],
        "today": given["accepted_at"].astimezone(now.tzinfo).date() == now.date(),
    }


async def promise_it(request: Request) -> Response:
    """The date becomes a promise, which is stored and scored."""
    site, quote_id = site_of(request), request.path_params["quote"]
    async with sent_form(request) as form:
        process = text_of(form, "process", "The process", 20, needed=True)
        sure = word_of(form, "sure", "How sure", tuple(map(str, SURE)), "0.9")
        hurried = bool(text_of(form, "first", "Go first", 10))

    def promising() -> str:
        given = work.find_given(site.folder, quote_id)
        document = given["document"]
        if given["accepted_at"] is not None:
            agreed = document["options"][given["accepted_option"] or 0]
            raise UsageError(
                f"{given['quote_id']} was promised meanwhile: {agreed['process']} on {agreed['machine']}.",
                "Open it again to see the date; it can be taken back there on the same day.",
            )
        option = next(
            (option for option in document["options"] if option["process"] == process), document["options"][0]
        )
        dates = work.dates_by_chance(document, option, read_shop(site.folder))
        date = next(date["promised_at"] for date in dates if str(date["sure"]) == sure)
        site.run(accept, site.folder, quote_id, option["process"], promise=date, hurried=hurried)
        site.board.refresh()
        return f"/ask/answer/{given['quote_id']}?sure={sure}"

    return await after_work(request, promising)


async def take_back(request: Request) -> Response:
    site, quote_id = site_of(request), request.path_params["quote"]
    async with sent_form(request):
        pass

    def undoing() -> str:
        undone = site.run(undo, site.folder, quote_id)
        site.board.refresh()
        return f"/ask/answer/{undone['quote_id']}"

    return await after_work(request, undoing)


async def what_if(request: Request) -> Response:
    """Today's answer beside a changed one; nothing is changed by asking."""
    site, quote_id = site_of(request), request.path_params["quote"]
    async with sent_form(request) as form:
        which = word_of(form, "which", "What if", tuple(WHAT_IFS), "")

    def trying() -> str:
        given = work.find_given(site.folder, quote_id)
        site.what_ifs[given["quote_id"], which] = _tried(site, given, which)
        keep_last(site.what_ifs, MOST_QUOTES)
        return f"/ask/answer/{given['quote_id']}#if-{which}"

    return await after_work(request, trying)


def _tried(site: Site, given: StoredQuote, which: str) -> dict[str, Any]:
    document = given["document"]
    best = document["options"][0]
    if which == "first":
        done = site.run(work.try_accept, site.folder, given["quote_id"], best["process"], best["promised_at"], True)
        return {"slips": done["slips"], "others": done["others"], "ready_at": done["ready_at"]}
    lines = _lines_of(site, given["quote_id"])
    if lines is None:
        raise UsageError("The part is not kept here any more.", "Bring it again and ask anew.")
    if which == "tomorrow":
        later = (datetime.fromisoformat(document["start"]) + timedelta(days=1)).isoformat()
        changed = site.run(quote_lines, site.folder, lines, QuoteAsk(start=later))["options"][0]
        return {"promised_at": changed["promised_at"], "by": f"{changed['process']} {changed['machine']}"}
    patch = work.SATURDAY if which == "saturday" else work.one_more(site.folder, best["machine"].split("+")[0])
    asked = QuoteAsk(start=document["start"])
    answer = site.run(what_if_lines, site.folder, lines, patch, asked, document["part"], only_soonest=True)
    pair, begins, zone = answer["soonest"], datetime.fromisoformat(document["start"]), site.now().tzinfo

    def ready(one: Side | None) -> dict[str, str]:
        hours = {"p50": one["lead_time_h"]["p50"], "p90": one["lead_time_h"]["p90"]} if one else {}
        return {name: (begins + timedelta(hours=each)).astimezone(zone).isoformat() for name, each in hours.items()}

    return {
        "chance_sooner": pair["chance_sooner"],
        "today": ready(pair["today"]),
        "changed": ready(pair["changed"]),
        "on_site": answer["on_site"],
        "warnings": answer["warnings"],
    }


def _lines_of(site: Site, quote_id: str) -> list[OrderedPart] | None:
    """The lines of a quote given lately, with their meshes; None where a part is not kept any more."""
    kept = [(site.uploads.find(token), line) for token, line in site.lines.get(quote_id, [])]
    lines = [replace(line, mesh=upload.part.mesh) for upload, line in kept if upload]
    return lines if lines and len(lines) == len(kept) else None


def customer_copy(request: Request) -> Response:
    """The copy for the customer, as HTML or PDF; in a thread. Raises CalibError where no browser makes a PDF of it."""
    site, ending = site_of(request), request.url.path.rpartition(".")[2]
    given = work.find_given(site.folder, request.path_params["quote"])
    text = site.without_paths(quote_sheet(given["document"], "outward", _sheet_terms(given, site)))
    content: str | bytes = text
    if ending == "pdf":
        browser = find_browser()
        if browser is None:
            raise CalibError("There is no browser on this computer that makes a PDF.", "Print the HTML copy to a file.")
        content = printed(browser, text)
    return Response(
        content,
        media_type=COPIES[ending],
        headers={"Content-Disposition": f'attachment; filename="quote-{given["quote_id"]}.{ending}"'},
    )


def _sheet_terms(given: StoredQuote, site: Site) -> Agreed | None:
    if given["due_at"] is None:
        return None
    due = given["due_at"].astimezone(site.now().tzinfo).isoformat()
    return {"option": given["accepted_option"] or 0, "promised_at": due, "chance": given["chance"]}


ROUTES = [
    Route("/ask", start),
    Route("/ask/part", take_part, methods=["POST"]),
    Route("/ask/parts", parts),
    Route("/ask/answer", answer, methods=["POST"]),
    Route("/ask/answer/{quote}", show),
    Route("/ask/answer/{quote}/promise", promise_it, methods=["POST"]),
    Route("/ask/answer/{quote}/undo", take_back, methods=["POST"]),
    Route("/ask/answer/{quote}/if", what_if, methods=["POST"]),
    *(Route(f"/ask/answer/{{quote}}/copy.{ending}", customer_copy) for ending in COPIES),
]
