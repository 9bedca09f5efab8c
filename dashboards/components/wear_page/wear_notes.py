"""Blocks of the wear page in which people write: maintenance notes and limits."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria
from dashboards.components.pickers import labelled
from dashboards.queries import wear


def notes_block(
    serial: str,
    notes: pl.DataFrame,
    day: str,
    *,
    duty: str = "",
    missing: Sequence[tuple[str, str]] = (),
) -> Component:
    """Return a unit's duty, what was not measured, its notes and the form for a new one."""
    return html.Section(
        [
            html.H2(f"Duty of {serial}"),
            html.P(duty or "No use is counted yet."),
            _not_measured(missing) if missing else None,
            html.H2(f"Maintenance of {serial}"),
            html.Div(notes_list(notes), id="wear-note-list"),
            html.Div(
                [
                    html.Label(
                        [
                            "Date",
                            dcc.Input(
                                id="wear-note-date",
                                type="text",
                                value=day,
                                style={"width": "9em"},
                            ),
                        ],
                        className="field",
                    ),
                    html.Label(
                        [
                            "What",
                            dcc.Dropdown(
                                list(wear.MAINTENANCE_WORDS),
                                "inspected",
                                id="wear-note-what",
                                clearable=False,
                                searchable=False,
                                style={"minWidth": "140px"},
                            ),
                        ],
                        className="field",
                    ),
                    html.Label(
                        [
                            "Detail",
                            dcc.Input(id="wear-note-detail", type="text", style={"width": "26em"}),
                        ],
                        className="field",
                    ),
                    html.Button("Record", id="wear-note-save", type="button"),
                ],
                className="row wear-form",
            ),
            html.P(
                "A replacement begins a new history; new lubricant, a repair and an adjustment "
                "split it. A note is a record for trends, not an approval of the work.",
                className="faint",
            ),
            html.Div(id="wear-note-said", role="status"),
        ],
        className="sheet",
        **aria(label="Duty and maintenance"),
    )


def notes_list(notes: pl.DataFrame) -> Component:
    """Return a unit's notes, each in a line."""
    if not notes.height:
        return html.P("No note yet.", className="faint")
    return html.Ul(
        [
            html.Li(
                f"{row['date']:%Y-%m-%d}: {row['what']}"
                + (f", {row['detail']}" if row["detail"] else "")
            )
            for row in notes.iter_rows(named=True)
        ]
    )


def _not_measured(missing: Sequence[tuple[str, str]]) -> Component:
    return html.Details(
        [
            html.Summary(f"Indicators not measured for this unit: {len(missing)}"),
            html.Ul([html.Li(f"{name}: {why}") for name, why in missing]),
        ]
    )


def limit_form(indicator: str, unit: str, limit: float | None) -> Component:
    """Return the line where a limit is set."""
    return html.Div(
        [
            labelled(
                f"Limit of {indicator}, {unit}",
                dcc.Input(
                    id="wear-limit",
                    type="text",
                    value="" if limit is None else f"{limit:g}",
                    style={"width": "6em"},
                ),
            ),
            html.Button("Keep limit", id="wear-limit-save", type="button"),
            html.Span(id="wear-limit-said", role="status"),
        ],
        className="row wear-form",
    )
