"""The production server around the dashboard: its limits, its start, and its stop.

Waitress reads a request whole before a thread of ours sees it, bodies beyond
half a megabyte to the disk; so slow or many connections cost it little.
"""

from __future__ import annotations

import logging
import sys
import threading
from typing import Any

import waitress

from dashboards import shell, wire
from dashboards.connections import keep_moving

SWITCH_S = 0.0005
"""How long one thread may keep the others from Python. A window's answer takes many short turns;
with the usual 5 ms each of them waits for the background work's."""

THREADS = 16
"""Requests that are answered at a time; the others wait in order."""

CONNECTIONS = 2000
"""Open at a time. A browser holds up to six."""

IDLE_S, LOOK_S = 20, 5
"""A connection is closed when for the first of these nothing came that counts: of a request
none, of a head not the rest, of a body too little (`connections`). One looks every second of
these, so it may be open for both. While a request is answered, nothing is closed."""

HEADER_BYTES = 64 << 10
LOG_BYTES = 4 << 30
"""The largest log that can be dropped on the library page; other bodies: `gate.guard.MOST_BODY`."""

STOP_S = 60.0
"""So long a running job has to come to its next step when the server stops."""

LOOPBACK = ("127.0.0.1", "localhost", "::1")

_log = logging.getLogger(__name__)


def url(host: str, port: int) -> str:
    """Return the address that a browser takes.

    >>> url("::1", 8050)
    'http://[::1]:8050/'
    """
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


def serve(
    app: shell.Shell, host: str, port: int, *, names: list[str], proxy: str | None = None
) -> None:
    """Serve an app until it is interrupted or told to stop, then end its work in order.

    Parameters
    ----------
    app : Shell
    host, port
        Where to listen.
    names : list of str
        Host names that requests may be for; any other is answered 400.
    proxy : str, optional
        Address of the one proxy whose X-Forwarded headers are believed.
    """
    wire.trust_only(app.server, names)
    sys.setswitchinterval(SWITCH_S)
    trusted: dict[str, Any] = {}
    if proxy is not None:
        trusted = {
            "trusted_proxy": proxy,
            "trusted_proxy_count": 1,
            "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"},
        }
    sockets: dict[Any, Any] = {}
    server = waitress.create_server(
        app.server,
        map=sockets,
        listen=f"[{host}]:{port}" if ":" in host else f"{host}:{port}",
        threads=THREADS,
        connection_limit=CONNECTIONS,
        channel_timeout=IDLE_S,
        cleanup_interval=LOOK_S,
        max_request_header_size=HEADER_BYTES,
        max_request_body_size=LOG_BYTES,
        asyncore_use_poll=True,  # select() knows no connection beyond the 1,024th
        clear_untrusted_proxy_headers=True,
        ident="",
        **trusted,
    )
    keep_moving(sockets)
    shell.warm(app)
    print(f"jointbook on {url(host, port)} (Ctrl-C stops it)", file=sys.stderr, flush=True)
    try:
        server.run()  # returns when it is interrupted, after its threads have ended
    finally:
        server.close()
        stop(app)


def stop(app: shell.Shell) -> None:
    """End the jobs at their next step and delete what was dropped and not taken in."""
    running = sum(s.state == "running" for s in app.desk.jobs.states())
    if running:
        print(f"jointbook: {running} running jobs come to their next step", file=sys.stderr)
    if not app.desk.jobs.stop_all(STOP_S):
        _log.warning("a job did not come to its next step in time; what it had not stored is gone")
    for call in app.desk.at_stop:
        call()
    left = [t for t in threading.enumerate() if t.name == "warm"]
    for thread in left:
        thread.join(1)
