"""The form in which a person judges a finding: verdict first, then its reasons.

Nothing is chosen beforehand but what the same finding was given earlier. What
was observed may be filled in, since that is evidence; class, severity,
likelihood and decision never are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria

FIELDS = (
    "verdict", "note", "observed", "cause", "class", "severity", "likelihood", "decision",
    "reason", "concession", "conditions", "owner", "verification", "links", "also",
)  # fmt: skip
"""Names of the form's fields; each has the id ``finding-<name>``."""


def field_id(name: str) -> str:
    """Return the id of a field."""
    return f"finding-{name}"


def finding_form(
    values: Mapping[str, Any],
    *,
    verdicts: Mapping[str, str],
    classes: Mapping[str, str],
    severities: Mapping[str, str],
    likelihoods: Mapping[str, str],
    decisions: Mapping[str, str],
    links: Mapping[str, str],
    beside: Mapping[str, str],
    scales: tuple[str, str],
) -> Component:
    """Return the form; ``values`` are by the names in `FIELDS`, the rest are words to choose."""
    more = any(values.get(n) for n in ("conditions", "owner", "verification", "links"))
    return html.Div(
        [
            _words("verdict", "Verdict", verdicts, values),
            _text("note", "Note", values, rows=1, hint="in your words"),
            html.Fieldset(
                [
                    html.Legend(
                        "Disposition, which a sign-off needs. "
                        f"Severity and likelihood: {scales[0]}; class: {scales[1]}"
                    ),
                    _text("observed", "Observed", values, rows=2),
                    _text("cause", "Cause", values, rows=1, hint="empty: not known"),
                    _words("class", "Class", classes, values),
                    html.Div(
                        [
                            _words("severity", "Severity", severities, values),
                            _words("likelihood", "Likelihood", likelihoods, values),
                            html.Span(id="finding-risk", role="status", className="finding-risk"),
                        ],
                        className="finding-two",
                    ),
                    _words("decision", "Decision", decisions, values),
                    _text("reason", "Reason", values, rows=1),
                    _text(
                        "concession",
                        "Concession",
                        values,
                        rows=1,
                        hint="for use-as-is and repair: the waiver, or who writes it",
                    ),
                    html.Details(
                        [
                            html.Summary("Conditions and links"),
                            _text("conditions", "Conditions", values, rows=1),
                            _text("owner", "Owner", values, rows=1),
                            _text("verification", "Verified by", values, rows=1),
                            _checks("links", "Points to", links, values),
                        ],
                        open=more,
                    ),
                ]
            ),
            _checks("also", "The same for these, which are alike", beside, values)
            if beside
            else html.Div(dcc.Checklist([], [], id=field_id("also")), hidden=True),
            html.Div(
                [
                    html.Button(
                        "Keep", id="finding-keep", n_clicks=0, className="main", title="Ctrl+Enter"
                    ),
                    html.Span("Ctrl+Enter keeps and brings the next one.", className="faint"),
                ],
                className="tools",
            ),
        ],
        className="finding-form",
        role="group",
        **aria(labelledby="finding-title"),
    )


def _words(name: str, title: str, words: Mapping[str, str], values: Mapping[str, Any]) -> Component:
    return html.Div(
        [
            html.Span(title, className="finding-label", id=f"finding-{name}-label"),
            dcc.RadioItems(
                [
                    {"label": html.Span(_label(word, meaning), title=meaning), "value": word}
                    for word, meaning in words.items()
                ],
                values.get(name),
                id=field_id(name),
                inline=True,
                className="finding-words",
            ),
        ],
        className="finding-line",
        role="group",
        **aria(labelledby=f"finding-{name}-label"),
    )


def _label(word: str, meaning: str) -> str:
    """Return what stands beside a choice: a level with its word, else the word alone."""
    return f"{word} {meaning}" if len(word) <= 3 else word


def _text(
    name: str, title: str, values: Mapping[str, Any], *, rows: int, hint: str = ""
) -> Component:
    return html.Label(
        [
            html.Span(title, className="finding-label"),
            dcc.Textarea(
                id=field_id(name),
                value=values.get(name) or "",
                rows=rows,
                maxLength=4000,
                placeholder=hint,
            ),
        ],
        className="finding-line",
    )


def _checks(
    name: str, title: str, words: Mapping[str, str], values: Mapping[str, Any]
) -> Component:
    return html.Div(
        [
            html.Span(title, className="finding-label", id=f"finding-{name}-label"),
            dcc.Checklist(
                [{"label": text, "value": key} for key, text in words.items()],
                list(values.get(name) or []),
                id=field_id(name),
                className="finding-checks",
            ),
        ],
        className="finding-line",
        role="group",
        **aria(labelledby=f"finding-{name}-label"),
    )
