"""What the replay's browser side asks for: ``/data/replay/<session>/<what>``.

Windows and samples go out as the bytes of `figures.packing`, the rest as
JSON. ``from`` and ``to`` are seconds since the session's start. A failure is
JSON with ``error`` in words.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Callable
from typing import Any

import orjson
import polars as pl
from dash import Dash
from flask import Response, request

from dashboards import ids
from dashboards.failure_words import failure_text
from dashboards.figures.packing import Group, pack
from dashboards.gate.rules import UPDATE
from dashboards.pages.page import Desk
from dashboards.queries import baselines
from dashboards.queries.session import posture, sessions, windows
from dashboards.queries.session.derived import Derived
from dashboards.queries.session.plane import plane
from replay.csv_cells import csv_bytes
from replay.errors import JointbookError, UsageError

_log = logging.getLogger(__name__)


def add_routes(app: Dash, desk: Desk) -> None:
    """Add the replay's data routes to an app's server."""
    archive = desk.archive
    derived = Derived(archive)

    @app.server.before_request
    def make_way() -> None:
        """Let background work rest while somebody opens a page or moves in a session."""
        endpoint = request.endpoint or ""
        if waited_for(endpoint, request.get_json(silent=True) if endpoint == UPDATE else None):
            derived.make_way()

    def route(path: str) -> Callable[[Callable[[sessions.Outline], Response]], None]:
        """Serve a function of a session's outline; its failures go out in words."""

        def add(answer: Callable[[sessions.Outline], Response]) -> None:
            def serve(session: str) -> Response:
                try:
                    return answer(sessions.outline(archive, session))
                except JointbookError as error:
                    return _json({"error": failure_text(error)}, 404)
                except Exception as error:
                    _log.exception("replay data")
                    return _json({"error": failure_text(error)}, 500)

            app.server.add_url_rule(
                f"/data/replay/<session>/{path}", f"replay-{path}", serve, methods=["GET"]
            )

        return add

    @route("window")
    def window(found: sessions.Outline) -> Response:
        start, end = _window(found)
        groups = windows.logged_window(archive, found, start, end, _columns(), _joints(found))
        return _bytes(groups)

    @route("derived")
    def derive(found: sessions.Outline) -> Response:
        start, end = _window(found)
        groups, share, failed = derived.window(found, start, end, _columns(), _joints(found))
        return _bytes(groups, share=share, failed=failed)

    @route("exact")
    def exact(found: sessions.Outline) -> Response:
        start, end = _window(found)
        longest = windows.MOST_EXACT * found.length_s / max(found.record.rows, 1)
        end = min(end, start + longest)
        groups = windows.exact(archive, found, start, end, _joints(found))
        more, _, _ = derived.window(found, start, end, windows.MOST_EXACT, _joints(found))
        return _bytes([*groups, *more], to=end)

    @route("runs")
    def runs(found: sessions.Outline) -> Response:
        return _json(windows.runs(archive, found.session))

    @route("plane")
    def current_speed(found: sessions.Outline) -> Response:
        start, end = _window(found)
        joint = request.args.get("joint", "")
        if joint not in found.record.joints:
            raise UsageError(f"no joint {joint!r} in this session")
        if not found.has(joint, "current_a"):
            return _bytes([], note=f"no motor current was logged for {joint}")
        base, _ = baselines.newest(archive)
        groups, said = plane(archive, found, base, joint, start, end)
        return _bytes(groups, **said)

    @route("posture")
    def arm(found: sessions.Outline) -> Response:
        start, end = _window(found)
        base: posture.End = "B" if request.args.get("base") == "B" else "A"
        t_s, points, axes = posture.posture(archive, found, start, end, base)
        series = {
            f"p{k}{axis}": (points[:, k, a], points[:, k, a])
            for k in range(points.shape[1])
            for a, axis in enumerate("xyz")
        }
        series |= {
            f"a{k}{axis}": (axes[:, k, a], axes[:, k, a])
            for k in range(axes.shape[1])
            for a, axis in enumerate("xyz")
        }
        order = list(found.arm.joint_names) if found.arm else []
        groups = [Group(t_s, series, True, 0.0)] if t_s.size else []
        outwards = order if base == "A" else order[::-1]
        return _bytes(groups, points=points.shape[1], order=outwards)

    @route("measure")
    def measure(found: sessions.Outline) -> Response:
        first, second = _number("from", 0.0), _number("to", found.length_s)
        return _json({"rows": windows.measure(archive, found, first, second, _joints(found))})

    def measured(found: sessions.Outline) -> pl.DataFrame:
        first, second = _number("from", 0.0), _number("to", found.length_s)
        rows = windows.measure(archive, found, first, second, _joints(found))
        table = pl.DataFrame(rows, schema=windows.MEASURE_SCHEMA)
        return table.with_columns(pl.lit(first).alias("from_s"), pl.lit(second).alias("to_s"))

    @route("measure.csv")
    def measure_csv(found: sessions.Outline) -> Response:
        return _file(csv_bytes(measured(found)), f"{found.session}-measure.csv", "text/csv")

    @route("measure.parquet")
    def measure_parquet(found: sessions.Outline) -> Response:
        return _parquet(measured(found), f"{found.session}-measure.parquet")

    @route("span.csv")
    def span_csv(found: sessions.Outline) -> Response:
        table = windows.span_table(archive, found, *_window(found), _joints(found))
        text = csv_bytes(table, datetime_format="%Y-%m-%dT%H:%M:%S%.9fZ")
        return _file(text, f"{found.session}-span.csv", "text/csv")

    @route("span.parquet")
    def span_parquet(found: sessions.Outline) -> Response:
        table = windows.span_table(archive, found, *_window(found), _joints(found))
        return _parquet(table, f"{found.session}-span.parquet")


PAGES = ("/", "/<path:path>", "/_dash-layout", "/_dash-dependencies")
"""Endpoints by which a page is opened; what it then shows comes by callbacks."""
POLLED = f"{ids.JOBS_BEAT}.n_intervals"
"""What sets off the one callback that nobody waits for: the jobs tray asks by itself."""


def waited_for(endpoint: str, body: Any) -> bool:
    """Tell whether somebody waits for the answer to a request.

    Nobody does for what is asked again and again by itself (the jobs tray, the
    derived channels), nor a person for scripts, styles and the HTTP interface.
    """
    if endpoint == UPDATE:
        return not isinstance(body, dict) or body.get("changedPropIds") != [POLLED]
    return endpoint in PAGES or (endpoint.startswith("replay-") and endpoint != "replay-derived")


def _number(name: str, default: float) -> float:
    text = request.args.get(name, "")
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if value != value or abs(value) == float("inf"):
        raise UsageError(f"{name}={text!r} is not a number of seconds")
    return value


def _window(found: sessions.Outline) -> tuple[float, float]:
    start = max(0.0, _number("from", 0.0))
    end = min(found.length_s + 1e-3, _number("to", found.length_s))
    if end <= start:
        raise UsageError(f"the window from {start} s to {end} s is empty")
    return start, end


def _columns() -> int:
    return int(min(max(_number("columns", 1000), 16), windows.MOST_COLUMNS))


def _joints(found: sessions.Outline) -> list[str]:
    asked = request.args.get("joints", "")
    wanted = [j for j in asked.split(",") if j in found.record.joints]
    return wanted or list(found.record.joints)


def _bytes(groups: list[Group], **header: Any) -> Response:
    return Response(pack(groups, **header), mimetype="application/octet-stream")


def _json(value: Any, status: int = 200) -> Response:
    text = orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY)
    return Response(text, status, mimetype="application/json")


def _parquet(table: pl.DataFrame, name: str) -> Response:
    held = io.BytesIO()
    table.write_parquet(held)
    return _file(held.getvalue(), name, "application/vnd.apache.parquet")


def _file(content: bytes, name: str, kind: str) -> Response:
    answer = Response(content, mimetype=kind)
    answer.headers.set("Content-Disposition", "attachment", filename=name)
    return answer
