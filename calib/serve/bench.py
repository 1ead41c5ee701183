"""Bench: what is under way and what comes next, place by place; start, stop, and what else happens, with two taps."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote, unquote
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from calib.documents.bench import BuildUnderWay, ShownRun
from calib.errors import CalibError, UsageError
from calib.records import hands_of
from calib.report.units import clock_time
from calib.serve.access import svg_code
from calib.serve.forms import after_work, plain_text, seen_of, sent_form, text_of
from calib.serve.guard import Refused
from calib.serve.pages import page, session_of, site_of
from calib.serve.site import Site
from calib.shop.model import Shop
from calib.shop.read_shop import read_shop
from calib.workflow.taps import WHATS, Run, Tap, alias_for, check_tap, is_alias, plain_note

CLOCK_OFF_S = 120.0  # a tablet's clock that is off by more is reported
OLDEST = timedelta(days=14)  # taps that a tablet kept for longer are not taken by its clock
MOST_TAPS = 200
A_SHIFT_S = 10 * 3600
WHO = "calib-who"
DONE = {
    "start": "Started", "stop": "Stopped", "earlier": "Stopped earlier", "found": "Found finished", "failed": "Failed",
    "note": "Noted", "undo": "Taken back",
}  # fmt: skip


async def show(request: Request) -> Response:
    site = site_of(request)
    board = site.board
    if board.view is None:
        return await first_look(request)
    board.refresh_if_old()
    shop = read_shop(site.folder)
    wanted = request.query_params.get("build", "")
    builds = board.builds(shop)
    chosen = [build for build in builds if wanted and build["build_id"] == wanted]
    return page(
        request,
        "bench.html",
        groups=_by_place(chosen or builds),
        wanted=wanted,
        is_found=bool(chosen),
        forgotten=_forgotten(site, builds),
        last=_last_tap(site, session_of(request).name),
        who=_who(request, shop.people_names),
        people=shop.people_names,
        now=site.now().isoformat(),
        when=when_of(site),
        stages=sorted({stage for route in shop.routes.values() for stage in route}),
        done=done if (done := request.query_params.get("done")) in DONE.values() else "",
        trouble=site.without_paths(board.trouble),
        fresh_id=_fresh_id,
    )


async def first_look(request: Request) -> Response:
    """Work out what is under way, then come back to the same address."""
    address = quote(request.url.path) + (f"?{request.url.query}" if request.url.query else "")

    def looking() -> str:
        site_of(request).board.work()
        return address

    return await after_work(request, looking)


def when_of(site: Site) -> Callable[[str], str]:
    """A time of today by its clock alone, of another day with the day."""
    now = site.now()

    def when(text: str) -> str:
        local = datetime.fromisoformat(text).astimezone(now.tzinfo)
        return f"{local:%H:%M}" if local.date() == now.date() else clock_time(local.isoformat(), now.isoformat())

    return when


def _fresh_id() -> str:
    return secrets.token_hex(12)


def _by_place(builds: list[BuildUnderWay]) -> dict[str, list[BuildUnderWay]]:
    """Builds where their run is, or where their next step can be; in the order of work."""
    groups: dict[str, list[BuildUnderWay]] = {}
    for build in builds:
        if not build["steps"]:
            continue
        places = build["steps"][0]["places"]
        running = build["running"]
        place = (running and running["station"]) or (places[0] if places else "At the bench")
        groups.setdefault(place, []).append(build)
    return dict(sorted(groups.items(), key=lambda pair: (not any(build["running"] for build in pair[1]), pair[0])))


def _forgotten(site: Site, builds: list[BuildUnderWay]) -> list[ShownRun]:
    """Open runs whose stop was likely forgotten: none of them is shown as running, or hands were at it before today."""
    runs, now = site.board.journal.runs, site.now()
    shown = {
        name
        for build in builds
        if build["running"]
        for name in (build["running"]["run"], f"run {build['running']['run']}")
    }
    tapped = [run for run in runs.values() if run.is_open]
    known = {name for run in runs.values() for name in (run.key, f"run {run.run_id}", *_later_names(run))}
    logged = [run for run in (site.board.view["open_runs"] if site.board.view else ()) if run["run"] not in known]
    listed: list[ShownRun] = [*map(_shown, tapped), *logged]

    def is_old(moment: str) -> bool:
        return datetime.fromisoformat(moment).astimezone(now.tzinfo).date() < now.date()

    by_hand = [run for run in listed if is_old(run["started_at"]) and hands_of(run["stage"]) in ("all", "part")]
    unseen = [run for run in listed if run["run"] not in shown and run not in by_hand]
    return sorted([*by_hand, *unseen], key=lambda run: run["started_at"], reverse=True)


def _later_names(run: Run) -> list[str]:
    return [f"run {run.key}~{number}" for number in range(1, run.undone + 1)]


def _shown(run: Run) -> ShownRun:
    return {
        "run": run.key, "build_id": run.build_id, "order_id": run.order_id, "stage": run.stage,
        "started_at": run.started_at, "station": run.station,
    }  # fmt: skip


def _last_tap(site: Site, session: str) -> dict[str, Any] | None:
    """The last tap from this page that can be taken back."""
    journal = site.board.journal
    for tap in reversed(journal.taps):
        if tap.by != _by(session):
            continue
        if tap.what == "undo":
            return None
        run = journal.runs.get(tap.run or tap.id)
        if run is None or (run.taps[-1:] != (tap.id,) and not (not run.taps and run.key == tap.id)):
            return None
        return None if run.outcome == "void" else {"tap": tap, "run": run, "word": DONE[tap.what]}
    return None


def _by(session: str) -> str:
    return hashlib.sha256(session.encode()).hexdigest()[:12]


async def say_who(request: Request) -> Response:
    """Who is here for this shift; what is remembered is what the shop's rule for names makes of it."""
    site = site_of(request)
    async with sent_form(request) as form:
        name = text_of(form, "who", "Who", 60)
    shown = await run_in_threadpool(alias_for, site.folder, name)
    response = RedirectResponse("/bench", 303)
    response.set_cookie(WHO, quote(shown), max_age=A_SHIFT_S, httponly=True, samesite="lax")
    return response


def _who(request: Request, people: str) -> str:
    """Who is here, as the page itself remembered it: a cookie may hold anything."""
    try:
        name = plain_text(unquote(request.cookies.get(WHO, "")), "Who", 60)
    except UsageError:
        return ""
    return name if people == "named" or (people == "alias" and is_alias(name)) else ""


async def tap(request: Request) -> Response:
    """One tap of a form, where no script keeps it."""
    site = site_of(request)
    async with sent_form(request) as form:
        sent = {name: value for name, value in form.items() if isinstance(value, str) and name != "token"}
    sent.setdefault("id", _fresh_id())
    taken = await run_in_threadpool(_take, site, request, sent, datetime.now(UTC))
    site.board.refresh()
    return RedirectResponse(f"/bench?done={DONE[taken.what]}", 303)


async def taps(request: Request) -> Response:
    """Taps that a browser kept, each with its id and its time: taken once each, refused one by one; the browser keeps what
    is neither.

    Raises Refused for taps that are not from a page of ours, UsageError where they cannot be read.
    """
    site = site_of(request)
    if not site.access.is_token(session_of(request), request.headers.get("x-token", "")):
        raise Refused(403, "These taps are not from a page of ours. Open the bench's page again.")
    try:
        sent = await request.json()
        listed, tablet_now = sent["taps"], datetime.fromisoformat(sent["now"])
        if not (isinstance(listed, list) and len(listed) <= MOST_TAPS and tablet_now.tzinfo):
            raise ValueError
    except (ValueError, KeyError, TypeError, RecursionError):
        raise UsageError("These taps cannot be read.", "Open the bench's page again.") from None
    now = datetime.now(UTC)
    taken, refused, trouble = [], [], ""
    for tap in listed:
        name = str(tap.get("id", ""))[:64] if isinstance(tap, dict) else ""
        try:
            if not isinstance(tap, dict):
                raise UsageError("A tap cannot be read.")
            happened = _happened(tap.get("at"), tablet_now, now)
            taken.append((await run_in_threadpool(_take, site, request, tap, happened)).id)
        except UsageError as error:
            refused.append({"id": name, "says": site.without_paths(str(error))})
        except CalibError as error:  # of shop file or store, not of this tap: the rest waits behind it
            trouble = site.without_paths(error.message)
            break
    if taken:
        site.board.refresh()
    off = (tablet_now - now).total_seconds()
    return JSONResponse(
        {
            "taken": taken,
            "refused": refused,
            "trouble": trouble,
            "clock_off_s": round(off) if abs(off) > CLOCK_OFF_S else 0,
        }
    )


def _happened(at: object, tablet_now: datetime, now: datetime) -> datetime:
    """When a tap was, by the server's clock: as long before now as it was before the tablet's own now."""
    try:
        ago = tablet_now - datetime.fromisoformat(str(at))
    except (ValueError, TypeError):
        return now
    return now - ago if timedelta(0) <= ago <= OLDEST else now


def _take(site: Site, request: Request, sent: dict[str, Any], at: datetime) -> Tap:
    """Keep one tap. Raises UsageError where it cannot be; one that is kept already is as it was."""
    board, shop = site.board, read_shop(site.folder)
    name = plain_text(sent.get("id", ""), "The tap", 64)
    if not re.fullmatch(r"[A-Za-z0-9-]{8,64}", name):
        raise UsageError("A tap without its own id cannot be taken.", "Open the bench's page again.")
    if known := board.journal.find(name):
        return known
    what = plain_text(sent.get("what", ""), "What was tapped", 20)
    if what not in WHATS:
        raise UsageError(f'"{what[:20]}" is no tap.', f"Known: {', '.join(WHATS)}.")
    made = Tap(
        id=name,
        what=what,
        at=at.isoformat(timespec="seconds"),
        run=plain_text(sent.get("run", ""), "The run", 300),
        of=plain_text(sent.get("of", ""), "The tap", 64),
        note=plain_note(site.folder, seen_of(sent.get("note"), 300)),
        by=_by(session_of(request).name),
    )
    if what == "start":
        made = _started(made, sent, site, shop, _who(request, shop.people_names))
    elif what != "undo":
        made = _about_run(made, site)
    if what == "earlier":
        made = replace(made, ended_at=_earlier(plain_text(sent.get("when", ""), "When", 40), made, site, shop))
    runs = dict(board.journal.runs)
    if made.logged and made.run not in runs:
        runs[made.run] = Run(made.run, **made.logged)
    check_tap(made, runs)
    if what == "stop" and not made.note and (least := _least_of(runs[made.run], site, shop)) and made.at < least:
        made = replace(made, note="stopped before its least time, no reason given")
    board.journal.add(made)
    return made


def _started(made: Tap, sent: dict[str, Any], site: Site, shop: Shop, who: str) -> Tap:
    build_id = plain_text(sent.get("build_id", ""), "The build", 100)
    stage = plain_text(sent.get("stage", ""), "The step", 60)
    station = plain_text(sent.get("station", ""), "The station", 60)
    if not build_id:
        raise UsageError("The build is not said.", "Tap Start beside a build.")
    if stage not in {known for route in shop.routes.values() for known in route}:
        raise UsageError(f'"{stage}" is no step of this shop.', "Choose one of the list.")
    if station and station not in {*shop.machines, *shop.stations}:
        raise UsageError(f'"{station}" is no machine or station of this shop.', "Choose one of the list.")
    known = site.board.find_build(build_id, shop)
    if known and known["running"] and known["running"]["stage"] == stage:
        raise UsageError(f"{stage.replace('_', ' ')} of {build_id} is running already.", "Nothing was changed.")
    attempt = known["attempt"] if known and known["steps"] and known["steps"][0]["stage"] == stage else 1
    plan = known["plan"] if known and known["is_awaited"] else {}
    return replace(
        made,
        run="",
        build_id=build_id,
        stage=stage,
        station=station,
        attempt=attempt,
        operator=who,
        plan=plan or {},
    )


def _about_run(made: Tap, site: Site) -> Tap:
    """The tap with the columns of its run, where that was not started by a tap."""
    if made.run in site.board.journal.runs:
        return made
    run_id = made.run.removeprefix("run ").partition("~")[0]
    if run_id in site.board.journal.runs:
        return replace(made, run=run_id)
    view = site.board.view
    if view is None:
        return made
    for run in (*view["open_runs"], *(build["running"] for build in view["builds"] if build["running"])):
        if run["run"] == made.run:
            names = ("build_id", "stage", "started_at", "station", "operator", "attempt", "run_id", "order_id")
            return replace(made, logged={name: value for name, value in run.items() if name in names})
    return made


def _earlier(text: str, made: Tap, site: Site, shop: Shop) -> str:
    """A time of the clock, the last such one before the tap; or a whole stamp."""
    zone = ZoneInfo(shop.timezone)
    tapped = datetime.fromisoformat(made.at).astimezone(zone)
    try:
        if re.fullmatch(r"\d{1,2}:\d{2}", text, re.ASCII):
            hour, minute = map(int, text.split(":"))
            earlier = tapped.replace(hour=hour, minute=minute, second=0)
            earlier = earlier if earlier <= tapped else earlier - timedelta(days=1)
        else:
            read = datetime.fromisoformat(text)
            earlier = read if read.tzinfo else read.replace(tzinfo=zone)
    except ValueError:
        raise UsageError(f'"{text}" is not a time.', "Write it as 14:30.") from None
    if earlier > tapped:
        raise UsageError(f'"{text}" lies ahead.', "Say when it stopped.")
    return earlier.astimezone(UTC).isoformat(timespec="seconds")


def _least_of(run: Run, site: Site, shop: Shop) -> str:
    """Until when the least time of a run lasts, UTC; '' where it has none."""
    for build_id in run.build_id.split("+"):
        build = site.board.find_build(build_id, shop)
        running = build and build["running"]
        if running and running["run"] == run.key and running["least_at"]:
            return datetime.fromisoformat(running["least_at"]).astimezone(UTC).isoformat(timespec="seconds")
    return ""


async def card(request: Request) -> Response:
    """A card to print and lay beside the build: what it is, its steps, and a code that leads back here.

    Raises UsageError for a build that is not under way.
    """
    site = site_of(request)
    name = request.path_params["build"]
    if site.board.view is None:
        return await first_look(request)
    build = site.board.find_build(name, read_shop(site.folder))
    if build is None:
        raise UsageError(f'There is no build "{name[:60]}" under way.', "Its id stands on the bench's page.")
    url = request.url_for("bench").include_query_params(build=name)
    if site.place and url.hostname in ("127.0.0.1", "localhost", "::1"):  # printed on this machine, read by a tablet
        url = url.replace(netloc=site.place)
    address = str(url)
    return page(
        request,
        "bench_card.html",
        build=build,
        code=svg_code(address, f"To {name} on the bench's page"),
        is_here_alone=site.access.is_open,
        address=address,
    )


ROUTES = [
    Route("/bench", show, name="bench"),
    Route("/bench/who", say_who, methods=["POST"]),
    Route("/bench/tap", tap, methods=["POST"]),
    Route("/bench/taps", taps, methods=["POST"]),
    Route("/bench/card/{build:path}", card),
]
