"""Pages from templates: escaped, with the way between the rooms, and without a path of this machine."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse

from calib.documents.bench import BuildStep
from calib.report import base
from calib.report.units import clock_time, half_day_time, promise, short_day, stage_name, usual_time
from calib.serve.access import ROLES, Session
from calib.serve.site import Site

HERE = Path(__file__).parent
STYLES = (
    base.TEMPLATES / "page.css",
    base.TEMPLATES / "quote.css",
    base.TEMPLATES / "week.css",
    HERE / "static/serve.css",
)
ROOMS = {"ask": "Ask", "bench": "Bench", "monday": "Monday", "floor": "Floor"}


@cache
def environment() -> jinja2.Environment:
    loader = jinja2.ChoiceLoader([jinja2.FileSystemLoader(HERE / "templates"), jinja2.FileSystemLoader(base.TEMPLATES)])
    made = base.environment().overlay(loader=loader)
    made.filters |= {"clock": clock_time, "half_day": half_day_time, "short_day": short_day, "promise": promise}
    made.filters["usual"] = usual_time
    made.filters["words"] = stage_name
    made.filters["care"] = stages_by_caution
    return made


def stages_by_caution(steps: Sequence[BuildStep]) -> dict[str, list[str]]:
    """Each caution once, with the stages that it is for."""
    stages: dict[str, list[str]] = {}
    for step in steps:
        for text in step["cautions"]:
            stages.setdefault(text, []).append(step["stage"])
    return stages


@cache
def style() -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in STYLES)


def site_of(request: Request) -> Site:
    site: Site = request.app.state.site
    return site


def session_of(request: Request) -> Session:
    session: Session = request.state.session
    return session


def page(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    site, session = site_of(request), getattr(request.state, "session", None)
    rooms = {name: word for name, word in ROOMS.items() if session and name in ROLES[session.role]}
    text = (
        environment()
        .get_template(template)
        .render(
            rooms=rooms,
            here=request.url.path.split("/")[1],
            shop=site.shop_name(),
            token=site.access.token(session) if session else "",
            **values,
        )
    )
    return HTMLResponse(site.without_paths(text), status)


def sentence_page(request: Request, status: int, title: str, message: str, hint: str = "") -> HTMLResponse:
    return page(request, "sentence.html", status, title=title, message=message, hint=hint)
