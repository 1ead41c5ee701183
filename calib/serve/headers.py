"""How long a connection may take to say what it wants: one that never does must not be held for ever."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADERS_S = 20.0  # until the headers of a request are whole; common practice, no source


class BoundedHeaders(H11Protocol):
    """Closes a connection whose next request has no whole headers in time, from its opening or from their first byte."""

    _due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is None or self.cycle.response_complete:
            self._wait()
        else:
            self._stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._due is None:
            self._due = self.loop.call_later(HEADERS_S, self.timeout_keep_alive_handler)

    def _stop_waiting(self) -> None:
        if self._due is not None:
            self._due.cancel()
            self._due = None
