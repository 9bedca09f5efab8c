"""The interface's description in OpenAPI 3.1, and the one table that routes are made from.

Specification: OpenAPI 3.1.0 (OpenAPI Initiative, 2021); its schemas are JSON
Schema, draft 2020-12. Columns come from `queries.handing_on`, where the frames
are made, so that a description cannot say other than what is sent.

Longer than 245 lines because the table of operations and the document that is
made of it, row by row, are read together or not understood.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl

from dashboards.queries import handing_on
from dashboards.queries.handing_on import Column

ROOT = "/api/v1"
VERSION = "1.0.0"

MOST_ROWS = 10_000
"""Rows of a list in one answer."""
MOST_SAMPLES = 1_000_000
"""Rows of a window of samples in one answer."""

ARROW = "application/vnd.apache.arrow.stream"
FORMS = {"json": "application/json", "csv": "text/csv", "arrow": ARROW}
REPORT_FORMS = {"html": "text/html", "pdf": "application/pdf"}


NAMES = {"session": "the session's name", "serial": "the joint unit's serial number"}
"""What an address may name."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One word of a query: its schema, what it means, and an example that is none of a session."""

    name: str
    about: str
    schema: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Operation:
    """One address: ``columns`` are those of its rows; None where it sends no table."""

    path: str
    name: str
    about: str
    parameters: tuple[Parameter, ...] = ()
    columns: dict[str, Column] | None = None
    forms: dict[str, str] = field(default_factory=lambda: FORMS)
    pages: bool = False

    @property
    def named(self) -> str | None:
        """What the address names: session, serial or nothing."""
        return next((name for name in NAMES if f"{{{name}}}" in self.path), None)

    @property
    def rule(self) -> str:
        """The address as Flask writes it."""
        return ROOT + self.path.replace("{", "<").replace("}", ">")


def _words(name: str, about: str) -> Parameter:
    return Parameter(name, about, {"type": "string", "maxLength": 200})


def _instant(name: str, about: str) -> Parameter:
    return Parameter(name, about, {"type": "string", "format": "date-time"})


def _form(forms: dict[str, str], default: str) -> Parameter:
    return Parameter(
        "form", "what the answer is", {"type": "string", "enum": list(forms), "default": default}
    )


_SPAN = (
    _instant("since", "only what starts then or later, UTC unless it says otherwise"),
    _instant("until", "only what starts before then"),
)
_PAGES = (
    Parameter(
        "limit", "most rows of the answer",
        {"type": "integer", "minimum": 1, "maximum": MOST_ROWS, "default": 1000},
    ),
    Parameter(
        "offset", "rows to pass over", {"type": "integer", "minimum": 0, "default": 0}
    ),
)  # fmt: skip
_SAMPLE_FORMS = {"arrow": ARROW, "csv": "text/csv"}

OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "/sessions", "sessions", "Sessions, oldest first.",
        (_words("arm", "only this arm's"), *_SPAN, _form(FORMS, "json"), *_PAGES),
        handing_on.SESSIONS, pages=True,
    ),
    Operation(
        "/findings", "findings", "Findings of all sessions, worst first.",
        (
            _words("arm", "only this arm's"),
            Parameter(
                "verdict", "only those that people concluded this on",
                {"type": "string", "enum": list(handing_on.VERDICT_WORDS)},
            ),
            *_SPAN, _form(FORMS, "json"), *_PAGES,
        ),
        handing_on.FINDINGS, pages=True,
    ),
    Operation(
        "/verdicts", "verdicts", "Every decision on record, in the record's order.",
        (_form(FORMS, "json"), *_PAGES), handing_on.VERDICTS, pages=True,
    ),
    Operation(
        "/trends", "trends", "The trend of every wear indicator of every joint unit.",
        (
            _words("arm", "only this arm's"), _words("serial", "only this joint unit's"),
            _words("indicator", "only this indicator's"), _form(FORMS, "json"), *_PAGES,
        ),
        handing_on.TRENDS, pages=True,
    ),
    Operation(
        "/sessions/{session}/findings", "session-findings", "A session's findings, worst first.",
        (_form(FORMS, "json"),), handing_on.FINDINGS,
    ),
    Operation(
        "/sessions/{session}/verdicts", "session-verdicts", "A session's decisions, in order.",
        (_form(FORMS, "json"),), handing_on.VERDICTS,
    ),
    Operation(
        "/sessions/{session}/samples", "samples",
        "Cleaned samples of a window: time (ns, UTC) and the channels asked for. "
        f"At most {MOST_SAMPLES:,} rows an answer.",
        (
            _instant("start", "first instant; the session's when not given"),
            _instant("end", "end of the window, itself not in it"),
            Parameter(
                "channels", "names with commas between; all of the stream when not given",
                {"type": "string", "maxLength": 4000},
            ),
            _words("stream", "the stream; main when not given"),
            _form(_SAMPLE_FORMS, "arrow"),
        ),
        forms=_SAMPLE_FORMS,
    ),
    Operation(
        "/sessions/{session}/report", "report", "A session's post-operation report.",
        (_form(REPORT_FORMS, "html"),), forms=REPORT_FORMS,
    ),
    Operation(
        "/units/{serial}/report", "unit-report", "A joint unit's sheet for maintainers.",
        (_form(REPORT_FORMS, "html"),), forms=REPORT_FORMS,
    ),
    Operation(
        "/report", "summary-report", "A summary of sessions: a week, an arm, a campaign.",
        (_words("arm", "only this arm's"), *_SPAN, _form(REPORT_FORMS, "html")),
        forms=REPORT_FORMS,
    ),
)  # fmt: skip

_CODES = {
    "400": "A parameter is unknown or makes no sense.",
    "404": "There is no such session or unit.",
}


def description() -> dict[str, Any]:
    """Return the OpenAPI document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "jointbook",
            "version": VERSION,
            "description": "Read-only. What it hands on advises; it never clears an arm to move: "
            "the operator's own rules, local codes and licensed practice decide.",
        },
        "servers": [{"url": ROOT}],
        "paths": {o.path: {"get": _operation(o)} for o in OPERATIONS},
        "components": {
            "schemas": {
                "Error": {
                    "type": "object",
                    "required": ["error"],
                    "properties": {"error": {"type": "string"}},
                    "additionalProperties": False,
                }
            }
        },
    }


def _operation(o: Operation) -> dict[str, Any]:
    named = o.named
    parameters = [_parameter(named, "path", NAMES[named], {"type": "string"})] if named else []
    parameters += [_parameter(p.name, "query", p.about, p.schema) for p in o.parameters]
    failures = {
        code: {
            "description": about,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}},
        }
        for code, about in _CODES.items()
        if named or code != "404"
    }
    good = {
        "description": o.about,
        "content": {kind: _content(o, form) for form, kind in o.forms.items()},
    }
    return {
        "operationId": o.name,
        "summary": o.about,
        "parameters": parameters,
        "responses": {"200": good, **failures},
    }


def _parameter(name: str, where: str, about: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {
        "name": name,
        "in": where,
        "required": where == "path",
        "description": about,
        "schema": schema,
    }


def _content(o: Operation, form: str) -> dict[str, Any]:
    if form != "json" or o.columns is None:
        return {}
    row = {
        "type": "object",
        "required": list(o.columns),
        "properties": {
            name: {"description": c.about, **_json_type(c.dtype)} for name, c in o.columns.items()
        },
        "additionalProperties": False,
    }
    properties: dict[str, Any] = {"rows": {"type": "array", "items": row}}
    if o.pages:
        properties["total"] = {"type": "integer", "description": "rows that there are in all"}
    return {
        "schema": {
            "type": "object",
            "required": list(properties),
            "properties": properties,
            "additionalProperties": False,
        }
    }


def _json_type(dtype: pl.DataType) -> dict[str, Any]:
    if isinstance(dtype, pl.List):
        return {"type": "array", "items": {"type": "string"}}
    if isinstance(dtype, pl.Datetime):
        return {"type": ["string", "null"], "format": "date-time"}
    if dtype == pl.Boolean:
        return {"type": ["boolean", "null"]}
    if dtype.is_integer():
        return {"type": ["integer", "null"]}
    return {"type": ["number" if dtype.is_float() else "string", "null"]}
