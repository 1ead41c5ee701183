"""A connection that never says what it wants is closed; one that says it slowly in time, or waits for its answer, is not."""

from __future__ import annotations

import asyncio
import socket
import threading

import pytest
import uvicorn

from calib.serve import headers


async def slow_answer(scope, receive, send):
    if scope["type"] == "http":
        await asyncio.sleep(0.4)
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
        await send({"type": "http.response.body", "body": b"ok"})


@pytest.fixture
def port(monkeypatch):
    monkeypatch.setattr(headers, "HEADERS_S", 0.2)
    listening = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(slow_answer, http=headers.BoundedHeaders, lifespan="off", log_level="critical")
    server = uvicorn.Server(config)
    running = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    running.start()
    yield listening.getsockname()[1]
    server.should_exit = True
    running.join()


REQUEST = b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"


def read_answer(caller):
    caller.settimeout(10)
    answer = b""
    while not answer.endswith(b"ok"):
        piece = caller.recv(1000)
        assert piece
        answer += piece
    assert b"200 OK" in answer


def ended_after(caller, pieces):
    """How many pieces were sent before the other side closed, 200 where it never did."""
    caller.settimeout(0.05)
    for number in range(200):
        try:
            if caller.recv(100) == b"":
                return number
        except TimeoutError:
            if piece := next(pieces, b""):
                caller.sendall(piece)
        except ConnectionResetError:
            return number
    return 200


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\n" + b"x" * 300], ids=["nothing", "a byte at a time"])
@pytest.mark.parametrize("is_first", [True, False], ids=["at once", "after an answer"])
def test_headers_that_never_end_end_the_connection(port, sent, is_first):
    with socket.create_connection(("127.0.0.1", port)) as caller:
        if not is_first:
            caller.sendall(REQUEST)
            read_answer(caller)
            sent = sent or b"G"  # one that says nothing more is ended by the time that connections are kept
        assert ended_after(caller, iter([sent[:1]] + [b"x"] * 300 if sent else [])) < 100


def test_an_answer_that_takes_longer_than_headers_may_is_given(port):
    with socket.create_connection(("127.0.0.1", port)) as caller:
        for piece in (REQUEST[:9], REQUEST[9:]):
            caller.sendall(piece)
        read_answer(caller)
