"""The page where people sign in: a form without a script."""

from __future__ import annotations

import hashlib
import html
import logging
import math
from typing import Any

from flask import Flask, Response, redirect, request

from dashboards import theme
from dashboards.gate.guard import cookie_name
from dashboards.gate.visitors import LASTS_S, Failures, Sessions
from replay.errors import JointbookError

_log = logging.getLogger(__name__)

POLICY = (
    "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'"
)


def add_routes(server: Flask, sessions: Sessions) -> None:
    """Serve the form, take what was filled in, and let people out again."""
    failures = Failures()

    @server.route("/sign-in", methods=["GET", "POST"], endpoint="sign-in")
    def sign_in() -> Any:
        if request.method == "GET":
            return _page("", request.args.get("next", "/"))
        name = request.form.get("name", "").strip()
        after, address = request.form.get("next", "/"), request.remote_addr or ""
        wait_s = failures.wait_s(name, address)
        if wait_s > 0:
            minutes = math.ceil(wait_s / 60)
            answer = _page(f"Too many attempts. Try again in {minutes} min.", after, 429)
            answer.headers["Retry-After"] = str(math.ceil(wait_s))
            return answer
        try:
            user = sessions.users.checked(name, request.form.get("password", ""))
        except JointbookError:
            _log.exception("the users file cannot be read")
            return _page("The users file cannot be read; its keeper has to look at it.", after, 500)
        if user is None:
            failures.count(name, address)
            who = hashlib.sha256(name.encode()).hexdigest()[:8]  # it may be a password
            _log.warning("a sign-in failed: name #%s from %s", who, address)
            return _page("No user of that name has that password.", after, 401)
        _log.info("%s signed in from %s", user.name, address)
        onward = redirect(safe_address(after), 303)
        onward.set_cookie(
            cookie_name(), sessions.begin(user.name), max_age=int(LASTS_S), httponly=True,
            samesite="Lax", secure=request.is_secure, path="/",
        )  # fmt: skip
        return onward

    @server.route("/sign-out", methods=["POST"], endpoint="sign-out")
    def sign_out() -> Any:
        sessions.end(request.cookies.get(cookie_name(), ""))
        answer = redirect("/sign-in", 303)
        answer.delete_cookie(cookie_name(), path="/", secure=request.is_secure, httponly=True)
        return answer

    @server.route("/sign-in/style.css", endpoint="sign-in-style")
    def style() -> Response:
        return Response(theme.css() + _STYLE, mimetype="text/css")


def safe_address(text: str) -> str:
    r"""Return an address of this dashboard to go on to, and nothing else.

    >>> safe_address("/replay?session=x"), safe_address("//elsewhere"), safe_address("/\\elsewhere")
    ('/replay?session=x', '/', '/')
    """
    plain = text.startswith("/") and not text.startswith("//") and text.isprintable()
    return text if plain and "\\" not in text else "/"


def _page(said: str, after: str, status: int = 200) -> Response:
    told = f'<p class="said" role="alert">{html.escape(said)}</p>' if said else ""
    text = _PAGE.format(said=told, after=html.escape(safe_address(after), quote=True))
    answer = Response(text, status, mimetype="text/html")
    answer.headers["Content-Security-Policy"] = POLICY
    answer.headers["Cache-Control"] = "no-store"
    return answer


_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>jointbook: sign in</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/sign-in/style.css"></head>
<body><main><h1>jointbook</h1>{said}
<form method="post" action="/sign-in"><input type="hidden" name="next" value="{after}">
<label>Name <input name="name" autocomplete="username" required autofocus></label>
<label>Password <input name="password" type="password" autocomplete="current-password"
required></label><button>Sign in</button></form>
<p>It advises. It never clears an arm to move.</p></main></body></html>
"""

_STYLE = """body{font:14px/1.45 system-ui,"Segoe UI","DejaVu Sans",sans-serif;margin:0;
color:var(--ink);background:var(--paper)}
main{max-width:22rem;margin:12vh auto;padding:16px 20px;background:var(--sheet);
border:1px solid var(--rule);border-left:4px solid var(--accent)}
h1{font:600 20px/1.3 "Iowan Old Style",Palatino,"Palatino Linotype","DejaVu Serif",Georgia,serif;
margin:0 0 10px}label{display:block;margin:10px 0}
input:not([type=hidden]){display:block;width:100%;box-sizing:border-box;font:inherit;
color:var(--ink);background:var(--paper);border:1px solid var(--faint);border-radius:3px;
padding:4px 8px;min-height:28px;margin-top:5px}
button{font:inherit;color:var(--on-accent);background:var(--accent);
border:1px solid var(--accent);border-radius:3px;padding:3px 10px;min-height:28px;cursor:pointer}
:focus-visible{outline:2px solid var(--accent);outline-offset:2px}
p{color:var(--faint);margin:12px 0 0}.said{color:var(--act);font-weight:600}
@media (max-width:420px){main{margin:0;max-width:none;border-width:0 0 1px}}
"""
"""On the tokens of `theme`, light or dark as the browser asks: the form has no script."""
