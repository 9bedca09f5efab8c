"""The drop zone and the sheet on which a proposed map is confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria

if TYPE_CHECKING:
    from dashboards.queries.intake import Proposed

SURE = 0.6
"""A line below this is to be looked at before it is used."""

KINDS = ".csv,.txt,.tsv,.parquet,.pq,.arrow,.feather,.ndjson,.jsonl,.xlsx,.xls,.gz,.zip,.toml"


def drop_zone() -> Component:
    """Return the place where files are dropped or chosen."""
    return html.Div(
        [
            html.Div(
                [
                    html.Span(
                        [
                            html.Strong("Drop logs here. "),
                            "An arm file or log maps (.toml) may come along.",
                        ]
                    ),
                    html.Button(
                        "Choose files",
                        id="library-choose",
                        type="button",
                        **{"data-accept": KINDS},  # type: ignore[arg-type]
                    ),
                ],
                className="row",
            ),
            html.Ul(id="library-intake-files", className="intake-files", **aria(live="polite")),
        ],
        id="library-drop",
        className="drop-zone",
    )


def confirm_sheet(
    proposals: list[Proposed], arms: dict[str, str], dropped_arms: list[str]
) -> Component:
    """Return the sheet that asks for a yes: maps to read and change, the arm."""
    options = [
        {"label": f"{name} (dropped along)", "value": f"file:{name}"} for name in dropped_arms
    ]
    options += [{"label": f"{name} (from this archive)", "value": f"kept:{name}"} for name in arms]
    options.append({"label": "none: joints named by the map", "value": ""})
    return html.Section(
        [
            html.H2("Before these logs are taken in", id="intake-title"),
            html.P(
                "Read what each column was taken for. Units and signs that are wrong here make "
                "every later figure wrong.",
                className="faint",
            ),
            *[_proposal(index, item) for index, item in enumerate(proposals)],
            html.Div(
                [
                    html.Label(
                        [
                            "Arm file",
                            dcc.Dropdown(
                                options,
                                options[0]["value"],
                                id="library-arm",
                                clearable=False,
                                style={"minWidth": "300px"},
                            ),
                        ],
                        className="field",
                    ),
                    html.Button("Take in", id="library-take", className="main", n_clicks=0),
                    html.Button("Discard the files", id="library-discard", n_clicks=0),
                ],
                className="row",
            ),
        ],
        className="sheet intake-sheet",
        **aria(labelledby="intake-title"),
    )


def _proposal(index: int, item: Proposed) -> Component:
    where = "proposed from names and data" if item.source == "proposed" else f"from {item.source}"
    unsure = [line for line in item.lines if line[1] is not None and line[1] < SURE]
    sure = [line for line in item.lines if line not in unsure]
    rows = [
        html.Tr(
            [
                html.Td(html.Code(key)),
                html.Td(
                    [html.Meter(value=str(share), min="0", max="1"), f" {100 * share:.0f} %"]
                    if share is not None
                    else "",
                    className="number",
                ),
                html.Td(why),
            ],
            className="unsure" if (key, share, why) in unsure else "",
        )
        for key, share, why in [*unsure, *sure]
    ]
    head = html.Thead(html.Tr([html.Th(w, scope="col") for w in ("Line", "How sure", "Why")]))
    return html.Div(
        [
            html.H3(f"{', '.join(item.logs[:4])}{' …' if len(item.logs) > 4 else ''}"),
            html.P(item.trouble, className="message trouble") if item.trouble else None,
            html.Details(
                [
                    html.Summary(
                        f"{len(item.lines)} lines, {len(unsure)} of them not sure "
                        f"(below {100 * SURE:.0f} %)"
                    ),
                    html.Table([head, html.Tbody(rows)], className="plain-table"),
                ],
                open=bool(unsure),
            )
            if rows
            else None,
            html.Label(
                [
                    f"Log map, {where}",
                    dcc.Textarea(
                        id={"type": "library-map", "group": index},
                        value=item.toml,
                        className="map-text",
                        spellCheck=False,
                    ),
                ],
                className="field wide",
            ),
        ],
        className="intake-proposal",
    )
