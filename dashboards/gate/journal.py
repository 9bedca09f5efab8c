"""What the server writes down: one JSON object a line, for people and programs alike."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask, Response

from dashboards.gate.figures import request_line

_log = logging.getLogger("dashboards.requests")


class Lines(logging.Formatter):
    """Writes a record as one JSON object."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line; line breaks in it are escaped, so nobody can forge another."""
        said = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "what": record.name,
            "said": record.getMessage(),
        }
        said |= getattr(record, "about", {})
        if record.exc_info:
            said["trace"] = self.formatException(record.exc_info)
        return json.dumps(said, ensure_ascii=False, default=str)


def keep(server: Flask, where: str | None) -> None:
    """Write requests and troubles to a file, ``-`` for standard error; None: troubles alone."""
    handler: logging.Handler = (
        logging.StreamHandler(sys.stderr)
        if where in (None, "-")
        else logging.FileHandler(Path(str(where)), encoding="utf-8")
    )
    handler.setFormatter(Lines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING if where is None else logging.INFO)
    if where is None:
        return

    @server.after_request
    def note(answer: Response) -> Response:
        _log.info("answered", extra={"about": request_line(answer)})
        return answer
