"""What the browser asks every few seconds: what others put on record since.

While nothing came the answer is a number of a few bytes.
"""

from __future__ import annotations

from typing import Any

import orjson
from dash import Dash
from flask import Response, request

from dashboards import links
from dashboards.failure_words import failure_text
from dashboards.gate import guard
from dashboards.links import View
from dashboards.pages.page import Desk
from dashboards.pages.session_pages.session_pins import pins_of
from dashboards.queries import news
from dashboards.queries.session import sessions
from replay.errors import JointbookError


def add_routes(app: Dash, desk: Desk) -> None:
    """Add the route that tells what came since an entry."""

    @app.server.route("/data/record/news")
    def news_since() -> Response | tuple[str, int]:
        after, session = request.args.get("after", ""), request.args.get("session", "")
        if not (after.isascii() and after.isdigit() and len(after) < 16):
            return "`after` is the number of an entry", 400
        me = guard.name_or(request.args.get("me", ""))
        try:
            last, came = news.since(desk.archive, int(after), session, me)
            answer: dict[str, Any] = {"last": last}
            if came:
                answer["came"] = [_sent(n) for n in came]
            if session and any(n.kind == "pin" for n in came):
                answer["pins"] = pins_of(desk, sessions.outline(desk.archive, session))
        except JointbookError as error:
            return failure_text(error), 409
        return Response(orjson.dumps(answer), mimetype="application/json")


def _sent(new: news.New) -> dict[str, Any]:
    flag = new.flags[0] if new.flags else None
    page = "queue" if flag else "sign-off" if new.kind == "sign-off" else "replay"
    return {
        "seq": new.seq,
        "kind": new.kind,
        "session": new.session,
        "who": new.who,
        "at": f"{new.at:%H:%M:%S} UTC",
        "said": new.said,
        "flags": new.flags,
        "holds": new.holds,
        "mine": new.mine,
        "href": links.href(page, View(session=new.session, flag=flag)),
    }
