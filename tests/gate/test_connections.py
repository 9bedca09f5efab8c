"""Connections that hold on without asking anything are closed; slow answers are not."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import waitress

from dashboards.connections import LEAST_BYTES_S, keep_moving

IDLE_S = 2


def answer(environ: dict[str, Any], start: Any) -> list[bytes]:
    body = environ["wsgi.input"].read()
    if environ["PATH_INFO"] == "/slow":
        time.sleep(2 * IDLE_S)
    start("200 OK", [("Content-Length", str(len(str(len(body)))))])
    return [str(len(body)).encode()]


@pytest.fixture(scope="module")
def address() -> Iterator[tuple[str, int]]:
    sockets: dict[Any, Any] = {}
    server = waitress.create_server(
        answer, map=sockets, listen="127.0.0.1:0", channel_timeout=IDLE_S, cleanup_interval=1,
        asyncore_loop_timeout=1, asyncore_use_poll=True,
    )  # fmt: skip
    keep_moving(sockets)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield "127.0.0.1", server.effective_port
    server.close()


def held(line: socket.socket, begin: bytes, more: bytes, most_s: float) -> float | None:
    """Send a beginning, then a bit now and then; return when the other side had enough."""
    began = time.monotonic()
    line.sendall(begin)
    while time.monotonic() - began < most_s:
        time.sleep(0.2)
        try:
            if more:
                line.sendall(more)
            line.settimeout(0.01)
            if line.recv(10) == b"":
                return time.monotonic() - began
        except TimeoutError:
            continue
        except OSError:
            return time.monotonic() - began
    return None


@pytest.mark.parametrize(
    ("begin", "more"),
    [
        (b"GET / HTTP/1.1\r\nHost: a\r\nX-A: ", b"x"),
        (b"GET / HT", b"T"),
        (b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 100000\r\n\r\n", b"y"),
        (b"POST / HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\n", b"1\r\nz\r\n"),
        (b"", b""),
        (
            b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1000000\r\n\r\n"
            + b"x" * (100 * IDLE_S * LEAST_BYTES_S),
            b"y",
        ),
    ],
    ids=["head", "line", "body", "chunks", "idle", "body that begins quickly"],
)
def test_what_trickles_in_is_closed(address: tuple[str, int], begin: bytes, more: bytes) -> None:
    with socket.create_connection(address) as line:
        took = held(line, begin, more, 8 * IDLE_S)
    assert took is not None, "it may hold on for ever"
    assert took > 0.5 * IDLE_S


def all_of(line: socket.socket, end: bytes) -> bytes:
    """Return what comes until it ends so, in however many pieces."""
    got = b""
    while not got.endswith(end):
        got += (piece := line.recv(4000))
        assert piece, f"closed after {got!r}"
    return got


def test_a_steady_body_and_a_slow_answer_are_waited_for(address: tuple[str, int]) -> None:
    with socket.create_connection(address) as line:
        size = 6 * IDLE_S * LEAST_BYTES_S
        line.sendall(b"POST /slow HTTP/1.1\r\nHost: a\r\nContent-Length: %d\r\n\r\n" % size)
        for _ in range(20):  # twice the least rate, and longer than the idle time
            line.sendall(b"x" * (size // 20))
            time.sleep(3 * IDLE_S / 20)
        line.sendall(b"x" * (size - size // 20 * 20))
        line.settimeout(10 * IDLE_S)
        assert all_of(line, str(size).encode())
        line.sendall(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n")
        assert b"200 OK" in all_of(line, b"\r\n\r\n0"), "the connection is kept for the next"
