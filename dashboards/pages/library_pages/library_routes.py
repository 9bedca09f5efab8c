"""What the library page sends and takes: files for the intake, the list, completeness."""

from __future__ import annotations

import orjson
from dash import (
    Dash,
)
from flask import Response, request

from dashboards.components.saving import send_table
from dashboards.failure_words import failure_text
from dashboards.pages.page import Desk
from dashboards.queries import catalogue, intake
from dashboards.queries.session import completeness
from replay.errors import JointbookError

MOST_ASKED = 200
"""Sessions whose completeness is told in one answer; the browser asks for those in sight."""


def add_routes(app: Dash, desk: Desk, hall: intake.Intake) -> None:
    """Add the library's routes to an app's server; `hall` keeps what arrives."""

    @app.server.route("/data/library/intake", methods=["POST"])
    def open_batch() -> Response | tuple[str, int]:
        if request.headers.get("X-Jointbook") != "intake":  # a foreign page cannot send it
            return "not from this dashboard", 403
        return Response(f'{{"batch": "{hall.open()}"}}', mimetype="application/json")

    @app.server.route("/data/library/intake/<name>", methods=["POST"])
    def receive(name: str) -> tuple[str, int]:
        if request.headers.get("X-Jointbook") != "intake":
            return "not from this dashboard", 403
        try:
            kept = hall.receive(
                name, request.args.get("name", "log"), request.stream, request.content_length
            )
        except JointbookError as error:
            return failure_text(error), 409
        except OSError as error:
            return f"the file could not be kept: {error.strerror}", 507
        return kept, 200

    @app.server.route("/data/library/completeness")
    def completeness_of() -> Response:
        asked = request.args.getlist("session")[:MOST_ASKED]
        found = completeness.by_joint(desk.archive, asked)
        return Response(orjson.dumps(found), mimetype="application/json")

    @app.server.route("/data/library/sessions.<form>")
    def save_sessions(form: str) -> Response | tuple[str, int]:
        rows = catalogue.library(desk.archive).rows
        return send_table(rows, "sessions", form)
