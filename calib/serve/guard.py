"""The outermost layer: whose request it is, how large and how slow it may be, and what the browser may do with the answer."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MB = 1 << 20
UPLOAD_BYTES = 50 * MB
FORM_BYTES = MB // 2
UPLOAD_S, FORM_S = 300.0, 20.0  # for a whole body; common practice, no source
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class Refused(Exception):
    """status, message : of the answer to a request that is not served at all"""

    def __init__(self, status: int, message: str) -> None:
        super().__init__(message)
        self.status, self.message = status, message


class Guard:
    """Asked for by a name of this machine, posted from a page of ours, bounded in bytes and seconds; else a sentence.

    hosts : names by which it may be asked for, so that no other name can be pointed at this machine
    uploads : paths whose body may be a file
    """

    def __init__(self, app: ASGIApp, hosts: Collection[str], uploads: Collection[str]) -> None:
        self.app, self.hosts, self.uploads = app, hosts, uploads

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False

        async def answer(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        try:
            headers = Headers(scope=scope)
            try:
                self._check(scope, headers)
            except ValueError:  # a host or an origin that is no address
                raise Refused(400, "This request cannot be read.") from None
            await self.app(scope, self._bounded(scope, headers, receive), answer)
        except Refused as refused:
            if not begun:
                await _say(answer, refused.status, refused.message)

    def _check(self, scope: Scope, headers: Headers) -> None:
        host = headers.get("host", "")
        if not scope["path"].startswith("/"):
            raise Refused(400, "This request cannot be read.")
        if urlsplit(f"//{host}").hostname not in self.hosts:
            raise Refused(400, "This page is not served under that name. Use the address that calib serve printed.")
        if scope["method"] in ("GET", "HEAD"):
            return
        if scope["method"] != "POST":
            raise Refused(405, "Only looking and sending forms is possible here.")
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != host:
            raise Refused(403, "This form was sent from another page. Open this page itself and send it from there.")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise Refused(403, "This form was sent from another site. Open this page itself and send it from there.")

    def _bounded(self, scope: Scope, headers: Headers, receive: Receive) -> Receive:
        is_upload = scope["path"] in self.uploads
        most, seconds = (UPLOAD_BYTES, UPLOAD_S) if is_upload else (FORM_BYTES, FORM_S)
        too_much = Refused(413, f"That is more than {most // MB or 0.5} MB, the most that is taken here.")
        stated = headers.get("content-length", "0")
        if not stated.isdecimal() or int(stated) > most + FORM_BYTES:
            raise too_much
        until = asyncio.get_running_loop().time() + seconds
        taken, is_whole = 0, False

        async def next_piece() -> Message:
            nonlocal taken, is_whole
            if is_whole:
                return await receive()
            left = until - asyncio.get_running_loop().time()
            try:
                message = await asyncio.wait_for(receive(), max(left, 0.01))
            except TimeoutError:
                raise Refused(408, "Sending took too long. Try again where the network is better.") from None
            taken += len(message.get("body", b""))
            is_whole = not message.get("more_body", False)
            if taken > most + FORM_BYTES:
                raise too_much
            return message

        return next_piece


async def _say(send: Send, status: int, text: str) -> None:
    """A page of one sentence; the text is ours."""
    body = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        '<title>Not served</title><link rel="stylesheet" href="/static/style.css"><main><h1>Not served</h1>'
        f'<p class="lead">{text}</p><p><a href="/">To the first page</a></p></main></html>'
    ).encode()
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": [*headers, (b"connection", b"close")]})
    await send({"type": "http.response.body", "body": body})
