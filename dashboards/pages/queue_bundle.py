"""The evidence bundle as a download, made and proved while the person waits."""

from __future__ import annotations

import os
import tempfile
import threading
from pathlib import Path

from dash import Dash
from flask import Response, request, send_file

from dashboards.components.report_links import BUNDLE
from dashboards.failure_words import failure_text
from dashboards.pages.page import Desk
from dashboards.queries import handing_on
from replay.errors import JointbookError

_one = threading.Lock()
"""One at a time: a bundle computes a session's flags again."""


def add_route(app: Dash, desk: Desk) -> None:
    """Add the route; ``session`` and, for one finding, ``finding`` are asked for."""

    @app.server.route(BUNDLE, endpoint="save_bundle")
    def save_bundle() -> Response | tuple[str, int]:
        session, finding = request.args.get("session", ""), request.args.get("finding") or None
        if not desk.archive.has_session(session):
            return f"there is no session {session!r}", 404
        if not _one.acquire(blocking=False):
            return "Another bundle is being made; ask again when it is done.", 503
        try:
            with tempfile.TemporaryDirectory(
                prefix="jointbook-bundle-", ignore_cleanup_errors=True
            ) as folder:
                path = handing_on.bundle(desk.archive, session, finding, Path(folder))
                content = path.open("rb")  # what is open is sent though its folder is gone
        except JointbookError as error:
            return failure_text(error), 409
        except OSError as error:
            return f"the bundle could not be kept while it was made: {error.strerror}", 507
        finally:
            _one.release()
        answer = send_file(content, "application/zip", as_attachment=True, download_name=path.name)
        answer.content_length = os.fstat(content.fileno()).st_size
        return answer
