"""Every request passes here before anything else runs: from where, by whom, to do what.

A write from a page of another origin is refused by what the browser itself
says of it (Origin, Sec-Fetch-Site). A callback that is no callback of ours is
400. Then the one table (`rules`) says which role it takes. The name that goes
on record is the one of the sign-in, whatever the page sent.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlsplit

from dash import Dash
from dash.exceptions import DependencyException
from flask import Response, g, has_request_context, redirect, request
from werkzeug.exceptions import HTTPException

from dashboards.gate import bodies, rules
from dashboards.gate.visitors import Sessions, Visitor, whoever_sits_here
from replay.accounts import Role

COOKIE = "jointbook"
SAFE = ("GET", "HEAD", "OPTIONS")

MOST_BODY = 8 << 20
"""Bytes of a request that is no log; the largest of ours have some kB."""

NAME_FIELD = "reviewer-name"
"""The field by which a page says who decides; a sign-in overrules it."""

NO_CALLBACK = ("this is no callback of this dashboard", 400)

_log = logging.getLogger(__name__)

Answer = Response | tuple[str, int] | None


class ValuesError(Exception):
    """A callback was sent values of a kind that it does not take; answered with 400."""


def install(app: Dash, sessions: Sessions | None) -> None:
    """Let nothing be answered that the rules do not allow.

    Parameters
    ----------
    app : Dash
    sessions : Sessions or None
        Who is signed in; None where whoever sits at this machine may do all.
    """
    names: dict[str, str] = {}

    @app.server.before_request
    def pass_or_refuse() -> Any:
        if request.method not in SAFE:
            refused = foreign() or too_large()
            if refused:
                return refused
        endpoint = request.endpoint
        if endpoint is None or endpoint in rules.OPEN:
            return None  # no such address is 404
        visitor = whoever_sits_here() if sessions is None else signed_in(sessions)
        if visitor is None:
            return _ask_to_sign_in()
        g.visitor = visitor
        if endpoint == rules.UPDATE:
            if len(names) < len(app.callback_map):
                names.update(named_callbacks(app))
            return _callback(visitor, names, app.callback_map)
        rule = rules.ROUTES.get(endpoint)
        if rule is None:
            return "nobody may do this", 403
        return _allowed(visitor, rule.needed())

    @app.server.errorhandler(Exception)
    def failed(error: Exception) -> Any:
        if isinstance(error, HTTPException):
            return error
        if isinstance(error, ValuesError):
            return "this callback takes no such values", 400
        if request.endpoint == rules.UPDATE and not isinstance(error, OSError):
            # our own failures are told by the app's `on_error`: this is Dash on what it was sent
            _log.warning("a malformed callback: %s: %s", type(error).__name__, error)
            return NO_CALLBACK
        if isinstance(error, DependencyException):
            return "there is no such file", 404  # Dash's own, of a program of its parts
        _log.error("a request failed", exc_info=error)
        return "that did not work; the program's log says why", 500


def visitor_name() -> str:
    """Return who is asking, by the sign-in; empty outside a request."""
    try:
        return str(g.visitor.name)
    except (AttributeError, RuntimeError):
        return ""


def name_or(given: str) -> str:
    """Return who is asking by the sign-in, or as a page says where nobody has to sign in."""
    visitor = getattr(g, "visitor", None)
    return str(visitor.name) if visitor is not None and visitor.signed_in else given


def signed_in_as() -> str:
    """Return what the frame says of who is signed in; empty where nobody has to be."""
    visitor = getattr(g, "visitor", None) if has_request_context() else None
    return f"{visitor.name}, {visitor.role.word}" if visitor and visitor.signed_in else ""


def named_callbacks(app: Dash) -> dict[str, str]:
    """Return the name in the rules of every callback that the server answers, by its output."""
    found = {}
    for output, about in app.callback_map.items():
        function = about.get("callback")
        if function is None:
            continue  # runs in the browser alone
        inner = getattr(function, "__wrapped__", function)
        found[output] = f"{inner.__module__.removeprefix('dashboards.')}.{inner.__name__}"
    return found


def foreign() -> tuple[str, int] | None:
    """Refuse a write that a page of another origin made the browser send."""
    said = request.headers.get("Sec-Fetch-Site")
    if said is not None and said not in ("same-origin", "none"):
        return "a page of another origin may not write here", 403
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        return "a page of another origin may not write here", 403
    return None


def too_large() -> tuple[str, int] | None:
    """Refuse a body that nothing but a log can be."""
    if request.endpoint != "receive" and (request.content_length or 0) > MOST_BODY:
        return f"a request has at most {MOST_BODY >> 20} MB", 413
    return None


def signed_in(sessions: Sessions) -> Visitor | None:
    """Return whose cookie came with the request."""
    token = request.cookies.get(cookie_name(), "")
    return sessions.visitor(token) if token else None


def cookie_name() -> str:
    """Return the cookie's name; over TLS one that no other host or path can set."""
    return f"__Host-{COOKIE}" if request.is_secure else COOKIE


def _ask_to_sign_in() -> Any:
    page = request.method in SAFE and request.endpoint in ("/", "/<path:path>")
    if not page:
        return "sign in first", 401
    whole = request.full_path.rstrip("?")
    return redirect(f"/sign-in?next={quote(whole, safe='')}", 303)


def _callback(
    visitor: Visitor, names: Mapping[str, str], abouts: Mapping[str, Mapping[str, Any]]
) -> Answer:
    body: Any = request.get_json(silent=True)
    if not bodies.is_body(body):
        return NO_CALLBACK
    if not bodies.is_text(request.get_data(), body):
        return "a callback's words are Unicode", 400
    name = names.get(body["output"])
    if name is None:
        return "there is no such callback", 400
    rule = rules.CALLBACKS.get(name)
    if rule is None:
        return "nobody may do this", 403
    refused = _allowed(visitor, rule.needed(_set_off(body)))
    if refused is not None:
        return refused
    about = abouts[body["output"]]
    if not bodies.is_as_declared(body, about):
        return NO_CALLBACK
    if visitor.signed_in:
        for field in body.get("state") or ():
            if isinstance(field, dict) and field.get("id") == NAME_FIELD:
                field["value"] = visitor.name
    function = about["callback"]
    g.callback = getattr(function, "__wrapped__", function), body
    return None


def refuse_values() -> None:
    """Refuse the callback that just failed, if it was sent what no page of ours would send it.

    Raises
    ------
    ValuesError
        A value is of no kind that its function takes: the failure is the sender's.
    """
    called = getattr(g, "callback", None) if has_request_context() else None
    if called is not None and not bodies.fits(*called):
        raise ValuesError


def _allowed(visitor: Visitor, needed: Role) -> tuple[str, int] | None:
    if visitor.role >= needed:
        return None
    return f"this takes a {needed.word}; you are a {visitor.role.word} here", 403


def _set_off(body: Mapping[str, Any]) -> list[str]:
    """Return what set a callback off: changed parts with a value; a fresh button has none."""
    values: dict[str, Any] = {}
    for given in body["inputs"]:
        for one in given if isinstance(given, list) else [given]:
            if isinstance(one, dict):
                name = one.get("id")
                if isinstance(name, dict):
                    name = json.dumps(name, sort_keys=True, separators=(",", ":"))
                values[f"{name}.{one.get('property')}"] = one.get("value")
    return [c for c in body.get("changedPropIds", ()) if values.get(c, True)]
