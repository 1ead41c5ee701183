"""Forms as they are sent: read within bounds, and refused without the token that only our own pages have."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calib.serve.guard import FORM_BYTES, Refused
from calib.serve.pages import session_of, site_of

MOST_FIELDS, MOST_FILES = 1000, 20


@asynccontextmanager
async def sent_form(request: Request) -> AsyncIterator[FormData]:
    """The fields of a form; its uploaded files are gone afterwards. Raises Refused without the token."""
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES) as form:
        token = form.get("token", "")
        if not isinstance(token, str) or not site_of(request).access.is_token(session_of(request), token):
            raise Refused(
                403, "This form is not from a page of ours, or too old. Open the page again and send it anew."
            )
        yield form


async def after_work(request: Request, work: Callable[[], str]) -> Response:
    """Stand in line with some work, and go to its answer, or to the place where to wait for it."""
    line = site_of(request).line
    return RedirectResponse(await line.soon(line.add(session_of(request).name, work)), 303)
