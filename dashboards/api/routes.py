"""The interface's routes: GET only, every parameter checked against the description."""

from __future__ import annotations

import io
import logging
from datetime import UTC, datetime
from typing import Any

import orjson
import polars as pl
from flask import Flask, Response, request

from dashboards.api.description import MOST_SAMPLES, OPERATIONS, ROOT, Operation, description
from dashboards.failure_words import failure_text
from dashboards.queries import handing_on
from replay.archive import Archive
from replay.csv_cells import csv_bytes
from replay.errors import ArchiveError, JointbookError, UsageError

TIME_FORMAT = "%Y-%m-%dT%H:%M:%S%.9fZ"

_log = logging.getLogger(__name__)


def add_routes(server: Flask, archive: Archive) -> None:
    """Serve the interface of an archive under `ROOT`."""

    @server.route(f"{ROOT}/openapi.json")
    def openapi() -> Response:
        return _json(description())

    for operation in OPERATIONS:
        _add(server, archive, operation)


def _add(server: Flask, archive: Archive, operation: Operation) -> None:
    def serve(session: str | None = None, serial: str | None = None) -> Response:
        try:
            if session is not None and not archive.has_session(session):
                return _json({"error": f"there is no session {session!r}"}, 404)
            if serial is not None and not handing_on.has_unit(archive, serial):
                return _json({"error": f"no measured session has a unit {serial!r}"}, 404)
            asked = _asked(operation)
            if operation.name.endswith("report"):
                form = asked.pop("form")
                return _report(handing_on.report(archive, session, serial, asked), form)
            return _answer(archive, operation, session, asked)
        except (UsageError, ArchiveError) as error:
            return _json({"error": failure_text(error)}, 400)
        except JointbookError as error:
            return _json({"error": failure_text(error)}, 500)
        except Exception as error:
            _log.exception("the interface")
            return _json({"error": failure_text(error)}, 500)

    server.add_url_rule(operation.rule, f"api-{operation.name}", serve, methods=["GET"])


def _answer(
    archive: Archive, operation: Operation, session: str | None, asked: dict[str, Any]
) -> Response:
    form = asked.pop("form")
    if operation.name == "samples":
        assert session is not None
        channels = asked["channels"]
        frame = handing_on.samples(
            archive,
            session,
            start=asked["start"],
            end=asked["end"],
            channels=[c for c in channels.split(",") if c] if channels else None,
            stream=asked["stream"] or "main",
            most_rows=MOST_SAMPLES,
        )
        return _table(frame, form, f"{session}-samples")
    limit, offset = asked.pop("limit", None), asked.pop("offset", 0)
    what = operation.name.rpartition("-")[2]
    frame = handing_on.rows(archive, what, session, asked)
    if not operation.pages:
        return _table(frame, form, operation.name)
    return _table(frame.slice(offset, limit), form, operation.name, total=frame.height)


def _asked(operation: Operation) -> dict[str, Any]:
    """Return the query's words as what the description says they are.

    Raises
    ------
    UsageError
        One is unknown, given twice, or not what it should be.
    """
    known = {p.name: p.schema for p in operation.parameters}
    for name in request.args:
        if name not in known:
            raise UsageError(f"there is no parameter {name!r}", todo="one of " + ", ".join(known))
        if len(request.args.getlist(name)) > 1:
            raise UsageError(f"{name!r} is given twice", todo="give it once")
    return {
        name: _value(name, request.args[name], schema)
        if name in request.args
        else schema.get("default")
        for name, schema in known.items()
    }


def _value(name: str, text: str, schema: dict[str, Any]) -> Any:
    if "enum" in schema:
        if text not in schema["enum"]:
            raise UsageError(f"{name}={text[:60]!r}", todo="one of " + ", ".join(schema["enum"]))
        return text
    if schema["type"] == "integer":
        low, high = schema["minimum"], schema.get("maximum", 2**31)
        if not (text.isascii() and text.isdigit() and low <= int(text[:12]) <= high):
            raise UsageError(f"{name}={text[:60]!r}", todo=f"a whole number, {low} to {high}")
        return int(text)
    if len(text) > schema.get("maxLength", 100):
        raise UsageError(f"{name} is too long")
    if schema.get("format") == "date-time":
        return _instant(name, text)
    return text


def _instant(name: str, text: str) -> datetime:
    try:
        when = datetime.fromisoformat(text.replace(" ", "+"))  # a plus sign that was not escaped
        return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(
            f"{name}={text[:60]!r} is no instant", todo="ISO 8601, as 2031-04-02T09:00:00Z"
        ) from None


def _table(frame: pl.DataFrame, form: str, name: str, *, total: int | None = None) -> Response:
    if form == "json":
        rows: dict[str, Any] = {"rows": frame.to_dicts()}
        return _json(rows if total is None else rows | {"total": total})
    body = io.BytesIO()
    if form == "csv":
        lists = [c for c, t in frame.schema.items() if isinstance(t, pl.List)]
        flat = frame.with_columns(pl.col(lists).list.join(" "))
        body.write(csv_bytes(flat, datetime_format=TIME_FORMAT))
        kind = "text/csv; charset=utf-8"
    else:
        frame.write_ipc_stream(body)
        kind = "application/vnd.apache.arrow.stream"
    answer = Response(body.getvalue(), mimetype=None, content_type=kind)
    if total is not None:
        answer.headers["X-Total-Count"] = str(total)
    answer.headers.set("Content-Disposition", "attachment", filename=f"{name}.{form}")
    return answer


def _report(made: handing_on.Report, form: str) -> Response:
    if form == "pdf":
        answer = Response(made.pdf(), mimetype="application/pdf")
        answer.headers.set("Content-Disposition", "attachment", filename=f"{made.name}.pdf")
        return answer
    answer = Response(made.html, mimetype="text/html")
    answer.headers["Content-Security-Policy"] = (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
    )
    return answer


def _json(value: Any, status: int = 200) -> Response:
    text = orjson.dumps(value, option=orjson.OPT_UTC_Z | orjson.OPT_SERIALIZE_NUMPY)
    return Response(text, status, mimetype="application/json")
