"""Monday: the week's page live, questions with buttons, rows mended in place, logs dropped in, what came learned."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from calib.errors import CalibError, UnknownLogError, UsageError
from calib.report.week import unbroken, week_values
from calib.serve.forms import after_work, file_name, sent_form, text_of, whole_of, word_of
from calib.serve.pages import page, site_of
from calib.serve.site import MOST_PROPOSALS, Notice, Proposal, Site, keep_last
from calib.workflow.drift import accept_drift
from calib.workflow.fit import fit_shop
from calib.workflow.import_logs import import_logs
from calib.workflow.kept import state_of_shop
from calib.workflow.map_log import propose_map
from calib.workflow.report import find_week
from calib.workflow.review import answer_question, find_questions, find_set_aside_rows, mend_row, row_set_aside

VERDICTS = ("right", "mended", "wrong", "finished", "failed", "not done", "not written down", "take back")
MOST_ROWS, MOST_NOTICES = 50, 100
LOGS, MAPS = "logs", "maps"


async def show(request: Request) -> Response:
    site = site_of(request)
    values = await run_in_threadpool(_waiting_for_a_person, site)
    notice = site.notices.pop(request.query_params.get("notice", ""), None)
    return page(request, "monday.html", notice=notice, **values)


def _waiting_for_a_person(site: Site) -> dict[str, Any]:
    asked, aside = find_questions(site.folder), find_set_aside_rows(site.folder)["rows"]
    rows: dict[int, list[dict[str, Any]]] = {}
    for row in aside:
        rows.setdefault(row["reject_id"], []).append(row | {"name": Path(row["path"]).name})
    return {
        "questions": asked["questions"],
        "open": asked["open"],
        "rows": dict(list(rows.items())[:MOST_ROWS]),
        "more_rows": max(0, len(rows) - MOST_ROWS),
    }


async def week(request: Request) -> Response:
    """The week's page; drawn anew when anything was stored since."""
    site = site_of(request)
    key = (*await run_in_threadpool(state_of_shop, site.folder), site.now().date())
    if site.week is None or site.week[0] != key:

        def drawing() -> str:
            fresh = (*state_of_shop(site.folder), site.now().date())
            site.week = fresh, site.run(_week, site.folder)
            return "/monday/week?seen=1"

        if site.week is None or "seen" not in request.query_params:
            return await after_work(request, drawing)
    answer = page(
        request, "week.html", layout="layout.html", live=True, **{k: v for k, v in site.week[1].items() if k != "shop"}
    )
    return Response(unbroken(bytes(answer.body).decode()), media_type="text/html")


def _week(folder: Path) -> dict[str, Any]:
    return week_values(find_week(folder))


async def give_answer(request: Request) -> Response:
    site = site_of(request)
    async with sent_form(request) as form:
        number = text_of(form, "question", "The question", 12, needed=True)
        verdict = word_of(form, "verdict", "The answer", VERDICTS, "")
        minutes = whole_of(form, "minutes", "Minutes", 1, 100_000) if verdict == "mended" else None
        note = text_of(form, "note", "The note", 300)
    done = await run_in_threadpool(answer_question, site.folder, number, [verdict], minutes, note, True)
    if done["taken_back"]:
        return _with_notice(site, Notice("The question is open again."))
    return _with_notice(site, Notice(f"Kept: {verdict}. The next learning obeys it.", undo=number))


def _with_notice(site: Site, notice: Notice) -> Response:
    """Back to the page, with what was done said once."""
    word = secrets.token_urlsafe(6)
    site.notices[word] = notice
    keep_last(site.notices, MOST_NOTICES)
    return RedirectResponse(f"/monday?notice={word}", 303)


async def accept_change(request: Request) -> Response:
    site = site_of(request)
    async with sent_form(request) as form:
        stage = text_of(form, "stage", "The stage", 100, needed=True)
        note = text_of(form, "note", "Why", 300, needed=True)

    def accepting() -> str:
        site.run(accept_drift, site.folder, stage, note)
        return "/monday/week"

    return await after_work(request, accepting)


async def learn(request: Request) -> Response:
    site = site_of(request)
    async with sent_form(request):
        pass

    def learning() -> str:
        done = site.run(fit_shop, site.folder)
        return _answer_of(_with_notice(site, Notice(f"Learned from {done['runs_used']} runs.")))

    return await after_work(request, learning)


def _answer_of(response: Response) -> str:
    return response.headers["location"]


async def take_logs(request: Request) -> Response:
    """Dropped files go into the shop's logs, where an import takes them; foreign ones are asked about first.

    Raises UsageError where no file was chosen.
    """
    site = site_of(request)
    async with sent_form(request) as form:
        sent = [file for file in form.getlist("files") if isinstance(file, UploadFile) and file.filename]
        if not sent:
            raise UsageError("No file was chosen.", "Drop the logs on the field.")
        paths = [await run_in_threadpool(_put_into_logs, site, file) for file in sent]

    def taking() -> str:
        return _answer_of(_with_notice(site, _imported(site, paths)))

    return await after_work(request, taking)


def _put_into_logs(site: Site, upload: UploadFile) -> Path:
    path = _place_in_logs(site, file_name(upload.filename))
    with path.open("xb") as out:
        shutil.copyfileobj(upload.file, out)
    return path


def _place_in_logs(site: Site, sent: str) -> Path:
    """Under the file's own name, or under one with a number where another stands there."""
    own = sent.startswith("bench-")  # names of the logs that are made from taps, and written anew with each
    folder, name = site.folder / LOGS, Path(f"sent-{sent}" if own else sent)
    folder.mkdir(exist_ok=True)
    places = (folder / name, *(folder / f"{name.stem}-{number}{name.suffix}" for number in range(2, 1000)))
    return next(place for place in places if not place.exists())


def _imported(site: Site, paths: list[Path]) -> Notice:
    """What came in, and a proposal for each file that nobody knows; what cannot be read does not stay."""
    files: list[Mapping[str, Any]] = []
    try:
        document = site.run(import_logs, site.folder, paths)
        unknown = {file["path"]: file["is_unknown"] for file in document["files"] if file.get("error")}
        files += [file | {"path": Path(file["path"]).name} for file in document["files"]]
    except UnknownLogError:
        document, unknown = None, {str(path): True for path in paths}
    except CalibError:
        for path in paths:
            path.unlink(missing_ok=True)
        raise
    proposals = []
    for path in paths:
        if str(path) not in unknown:
            continue
        if unknown[str(path)]:
            try:
                proposals.append(_propose(site, path))
                continue
            except CalibError as error:
                files.append({"path": path.name, "error": str(error)})
        path.unlink(missing_ok=True)
    return Notice(
        "The logs were read." if document else "The columns of this log are not known yet.",
        files=files,
        proposals=proposals,
        warnings=document["warnings"] if document else [],
    )


def _propose(site: Site, log: Path) -> str:
    """A proposal for a log that nobody knows; it lies apart until somebody confirms it, so that no import meets it."""
    apart = Path(tempfile.mkdtemp(dir=site.uploads.folder))
    out = apart / "proposed.map.toml"
    document = site.run(propose_map, site.folder, log, out)
    word = secrets.token_urlsafe(9)
    site.proposals[word] = Proposal(Path(shutil.move(log, apart)), out.read_text(encoding="utf-8"), document)
    keep_last(site.proposals, MOST_PROPOSALS)
    return word


async def proposal(request: Request) -> Response:
    """How a foreign log's columns become ours, line by line, to be confirmed by a person."""
    word = request.path_params["word"]
    return page(request, "monday_map.html", word=word, proposal=_proposal(site_of(request), word))


def _proposal(site: Site, word: str) -> Proposal:
    proposal = site.proposals.get(word)
    if proposal is None:
        raise UsageError("That proposal is not kept here any more.", "Drop the log again.")
    return proposal


async def confirm(request: Request) -> Response:
    site, word = site_of(request), request.path_params["word"]
    async with sent_form(request) as form:
        is_right = text_of(form, "answer", "The answer", 10) == "right"
    proposal = _proposal(site, word)
    if not is_right:
        proposal.log.unlink(missing_ok=True)
        site.proposals.pop(word, None)
        return _with_notice(
            site, Notice(f"{proposal.log.name} was not taken. calib map writes a mapping that can be mended by hand.")
        )

    def taking() -> str:
        _proposal(site, word)  # another page may have answered meanwhile
        del site.proposals[word]
        folder = site.folder / MAPS
        folder.mkdir(exist_ok=True)
        place = next(
            place for place in (folder / f"{proposal.log.stem}{end}.map.toml" for end in ("", *(f"-{n}" for n in range(2, 1000))))
            if not place.exists()
        )  # fmt: skip
        place.write_text(proposal.toml, encoding="utf-8")
        log = _place_in_logs(site, proposal.log.name)
        shutil.move(proposal.log, log)
        return _answer_of(_with_notice(site, _imported(site, [log])))

    return await after_work(request, taking)


async def row(request: Request) -> Response:
    """One row that was set aside, cell by cell."""
    site = site_of(request)
    row = await run_in_threadpool(row_set_aside, site.folder, _number(request))
    return page(request, "monday_row.html", row=row)


def _number(request: Request) -> int:
    text = request.path_params["number"]
    if not (text.isascii() and text.isdecimal() and len(text) < 10):
        raise UsageError(f'"{text[:40]}" is no number of a row.', "Choose one of the list.")
    return int(text)


async def mend(request: Request) -> Response:
    site, number = site_of(request), _number(request)
    async with sent_form(request) as form:
        what = word_of(form, "what", "What to do", ("mend", "drop"), "mend")
        names = [name.removeprefix("cell-") for name in form if name.startswith("cell-")]
        cells = {name: text_of(form, f"cell-{name}", name, 2000) for name in names}

    def mending() -> str:
        if what == "drop":
            site.run(find_set_aside_rows, site.folder, drop=str(number))
            return _answer_of(
                _with_notice(site, Notice(f"Row {number} was dropped; calib set-aside --undo brings it back."))
            )
        return _answer_of(_with_notice(site, _mended(site, number, cells)))

    return await after_work(request, mending)


def _mended(site: Site, number: int, cells: dict[str, str]) -> Notice:
    document = site.run(mend_row, site.folder, number, cells)
    if again := document["quarantine"]:
        return Notice(f"Set aside again: {again[0]['column']} {again[0]['reason']}.")
    return Notice(f"Row {number} is mended and in.")


ROUTES = [
    Route("/monday", show),
    Route("/monday/week", week),
    Route("/monday/answer", give_answer, methods=["POST"]),
    Route("/monday/accept", accept_change, methods=["POST"]),
    Route("/monday/learn", learn, methods=["POST"]),
    Route("/monday/import", take_logs, methods=["POST"]),
    Route("/monday/map/{word}", proposal),
    Route("/monday/map/{word}/answer", confirm, methods=["POST"]),
    Route("/monday/row/{number}", row),
    Route("/monday/row/{number}/mend", mend, methods=["POST"]),
]
