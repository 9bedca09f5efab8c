"""The evidence bundle as a download, made and proved while the person waits."""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from pathlib import Path

from flask import Flask, Response, request, send_file

from dashboards.queries import handing_on
from replay.archive import Archive
from replay.errors import JointbookError

_one = threading.Lock()
"""One at a time: a bundle computes a session's flags again."""


def add_route(server: Flask, archive: Archive) -> None:
    """Add the route; ``session`` and, for one finding, ``finding`` are asked for."""

    @server.route("/data/queue/bundle.zip", endpoint="save_bundle")
    def save_bundle() -> Response | tuple[str, int]:
        session, finding = request.args.get("session", ""), request.args.get("finding") or None
        if not _one.acquire(blocking=False):
            return "Another bundle is being made; ask again when it is done.", 503
        folder = Path(tempfile.mkdtemp(prefix="jointbook-bundle-"))
        try:
            path = handing_on.bundle(archive, session, finding, folder)
            content = path.open("rb")
        except JointbookError as error:
            return error.sentence(), 409
        finally:
            shutil.rmtree(folder, ignore_errors=True)  # what is open is sent all the same
            _one.release()
        answer = send_file(content, "application/zip", as_attachment=True, download_name=path.name)
        answer.content_length = os.fstat(content.fileno()).st_size
        return answer
