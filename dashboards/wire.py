"""What leaves the server: compressed, from here only, to trusted names only."""

from __future__ import annotations

import gzip
import re
from functools import lru_cache

from flask import Flask, Response, request

SMALLEST = 2048
"""Bytes below which compressing costs more than it saves."""

DAY_S = 86400
"""What a browser may keep for a day stays the same here: packed once, and well."""

POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self'; worker-src 'self' blob:; frame-ancestors 'none'; object-src 'none'; "
    "base-uri 'self'; form-action 'self'"
)
"""The browser itself refuses anything from outside. Plotly and Dash need
inline scripts and `eval`."""

_PORT = re.compile(r":[0-9]*$")

_TEXT = ("text/", "application/javascript", "application/json", "image/svg")


def prepare(server: Flask) -> None:
    """Add compression and safety headers to every answer of a server."""

    @server.after_request
    def send(response: Response) -> Response:
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("X-Content-Type-Options", "nosniff")
        response.headers.setdefault("Referrer-Policy", "same-origin")
        return _compressed(response)


def trust_only(server: Flask, hosts: list[str]) -> None:
    """Answer requests for these host names only.

    A web page elsewhere could otherwise point its own name at this machine
    and read the archive through the visitor's browser.
    """
    known = {host.casefold() for host in hosts}

    def from_a_trusted_name() -> tuple[str, int] | None:
        asked = request.headers.get("Host", "").casefold()
        name = _PORT.sub("", asked)
        return None if known & {asked, name} else ("this server has another name", 400)

    # Before everything else; Werkzeug's own list knows no IPv6 address.
    server.before_request_funcs.setdefault(None, []).insert(0, from_a_trusted_name)


def _compressed(response: Response) -> Response:
    if (
        response.status_code != 200
        or "gzip" not in request.headers.get("Accept-Encoding", "")
        or "Content-Encoding" in response.headers
        or not (response.mimetype or "").startswith(_TEXT)
        or (response.is_streamed and not response.direct_passthrough)
    ):
        return response
    lasting = response.direct_passthrough or (response.cache_control.max_age or 0) >= DAY_S
    response.direct_passthrough = False
    body = response.get_data()
    if len(body) < SMALLEST:
        return response
    response.set_data(_pack_once(body) if lasting else gzip.compress(body, 1))
    response.headers["Content-Encoding"] = "gzip"
    response.headers["Content-Length"] = str(len(response.get_data()))
    response.headers.add("Vary", "Accept-Encoding")
    return response


@lru_cache(maxsize=128)
def _pack_once(body: bytes) -> bytes:
    return gzip.compress(body, 6)
