"""The page as one ASGI program: its addresses, and the one place where an error becomes a sentence."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from calib.errors import CalibError, ShopFileError, StoreError
from calib.report import base
from calib.serve import ask, bench, floor, monday
from calib.serve.access import ROLES, Session, new_session
from calib.serve.guard import Guard, Refused
from calib.serve.pages import HERE, page, sentence_page, session_of, site_of, style
from calib.serve.site import Site

UPLOADS = ("/ask/part", "/monday/import")
A_YEAR_S = 365 * 24 * 3600
SCRIPTS = {path.name: path.read_bytes() for folder in (HERE / "static", base.TEMPLATES) for path in folder.glob("*.js")}
SHOP_HINT = "Nothing was changed, and taps wait on their tablets. When the shop file is mended, open this page again."
NOT_FOUND = ("There is no such page.", "Start again from the pages named above.")


def make_app(site: Site, hosts: Collection[str]) -> ASGIApp:
    """The whole program, guarded; ``hosts``: names and addresses by which it may be asked for."""
    app = Starlette(
        routes=[
            Route("/", _home),
            Route("/in/{word}", _come_in),
            Route("/wait/{job}", _wait),
            Route("/static/style.css", _style),
            Route("/static/{name}", _script),
            *ROOMS,
        ],
        exception_handlers={
            CalibError: _domain_error,
            HTTPException: _http_error,
            Refused: _refused,
        },
        middleware=[Middleware(_Faults)],
        lifespan=_until_closed,
    )
    app.state.site = site
    return Guard(_Sessions(app), hosts, UPLOADS)


ROOMS: list[BaseRoute] = [*ask.ROUTES, *bench.ROUTES, *monday.ROUTES, *floor.ROUTES]


@asynccontextmanager
async def _until_closed(app: Starlette) -> AsyncIterator[None]:
    yield
    app.state.site.close()


class _Sessions:
    """Everybody has a session; who has none comes in as the lead where nobody else can come, else must use a link."""

    def __init__(self, app: Starlette) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        site: Site = self.app.state.site
        session = site.access.session_of(Request(scope).cookies.get(site.access.cookie_name, ""))
        fresh = session is None and site.access.is_open
        if fresh:
            session = new_session("lead")
        scope.setdefault("state", {})["session"] = session

        async def answer(message: Message) -> None:
            if fresh and session and message["type"] == "http.response.start":
                given = Response()
                set_cookie(given, site, session)
                message["headers"] = [*message["headers"], given.raw_headers[-1]]
            await send(message)

        room = scope["path"].split("/")[1]
        if room in ("in", "static", ""):
            await self.app(scope, receive, answer)
        elif session is None:
            raise Refused(401, "Open the link that the lead gave you; it comes in once and is remembered here.")
        elif room in ROLES["lead"] and not session.may(room):
            raise Refused(403, f"Your link is not for this page. Go back to {session.home}.")
        else:
            await self.app(scope, receive, answer)


class _Faults:
    """What no part of calib expected is a sentence too, unless a developer wants to see it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def answer(message: Message) -> None:
            nonlocal begun
            begun = begun or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, answer)
        except ClientDisconnect:
            return
        except Exception as error:
            if begun or scope["type"] != "http":
                raise
            request = Request(scope)
            response = sentence_page(request, 500, "A fault of calib", *site_of(request).fault(error, "serve"))
            await response(scope, receive, send)


def set_cookie(response: Response, site: Site, session: Session) -> None:
    response.set_cookie(
        site.access.cookie_name, site.access.cookie(session), max_age=A_YEAR_S, httponly=True, samesite="lax"
    )


async def _home(request: Request) -> Response:
    session = request.state.session
    if session is None:
        raise Refused(401, "Open the link that the lead gave you; it comes in once and is remembered here.")
    return RedirectResponse(session.home, 303)


async def _come_in(request: Request) -> Response:
    site = site_of(request)
    role = site.access.role_of_link(request.path_params["word"])
    if role is None:
        raise Refused(404, "This link is not known here. Ask the lead for today's.")
    session = new_session(role)
    response = RedirectResponse(session.home, 303)
    set_cookie(response, site, session)
    return response


async def _wait(request: Request) -> Response:
    line = site_of(request).line
    job = line.find(request.path_params["job"], session_of(request).name)
    if job is None:
        return sentence_page(request, 404, "Not waiting", "This question is not waiting any more.", "Ask again.")
    if job.future.done():
        return RedirectResponse(await line.soon(job), 303)
    return page(request, "wait.html", number=line.place(job))


async def _style(request: Request) -> Response:
    return Response(style(), media_type="text/css")


async def _script(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in SCRIPTS:
        raise HTTPException(404)
    return Response(SCRIPTS[name], media_type="text/javascript")


async def _domain_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, CalibError)
    status = 409 if isinstance(error, StoreError) else 422
    hint = SHOP_HINT if isinstance(error, ShopFileError) else error.hint
    return sentence_page(request, status, "That cannot be done", error.message, hint)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    return sentence_page(request, error.status, "That cannot be done", error.message)


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        return sentence_page(request, 404, "Nothing here", *NOT_FOUND)
    return sentence_page(
        request, error.status_code, "That cannot be done", "This form cannot be read.", "Send it again."
    )
