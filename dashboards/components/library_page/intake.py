"""The drop zone and the sheet on which a proposed map is confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import GRAPH_CONFIG, aria
from dashboards.figures.intake import joint_preview
from replay.wording import counted

if TYPE_CHECKING:
    from dashboards.queries.intake import Look, Proposed

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
                                # never another arm's unasked: only what was dropped along
                                options[0]["value"] if len(dropped_arms) == 1 else "",
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
    unsure = [line for line in item.lines if line.share < SURE]
    sure = [line for line in item.lines if line not in unsure]
    rows = [
        html.Tr(
            [
                html.Td(html.Code(line.text)),
                html.Td(
                    [
                        html.Meter(value=str(line.share), min="0", max="1"),
                        f" {100 * line.share:.0f} %",
                    ],
                    className="number",
                ),
                html.Td(", ".join(line.samples)),
                html.Td(line.why),
                html.Td(line.otherwise if line.share < _CERTAIN else ""),
            ],
            className="unsure" if line in unsure else "",
        )
        for line in [*unsure, *sure]
    ]
    titles = ("Line", "How sure", "Values it rests on", "Why", "What would change its mind")
    head = html.Thead(html.Tr([html.Th(w, scope="col") for w in titles]))
    return html.Div(
        [
            html.H3(f"{', '.join(item.logs[:4])}{' …' if len(item.logs) > 4 else ''}"),
            html.P(item.trouble, className="message trouble") if item.trouble else None,
            html.Details(
                [
                    html.Summary(
                        f"{counted(len(item.lines), 'line')}, {len(unsure)} of them not sure "
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
            _columns(item),
            html.Div(
                [
                    html.Button(
                        "Show a joint as this map reads it",
                        id={"type": "library-look", "group": index},
                        type="button",
                        n_clicks=0,
                    ),
                    html.Label(
                        [
                            "Joint",
                            dcc.Dropdown(
                                [],
                                id={"type": "library-look-joint", "group": index},
                                clearable=False,
                                style={"minWidth": "120px"},
                            ),
                        ],
                        className="field",
                    ),
                    dcc.Store(
                        id={"type": "library-look-log", "group": index},
                        data=item.logs[0] if item.logs else "",
                    ),
                ],
                className="row",
            ),
            html.Div(id={"type": "library-look-result", "group": index}, **aria(live="polite")),
        ],
        className="intake-proposal",
    )


_CERTAIN = 0.95
"""From here on nothing needs to be said of what else a line could be."""


def _columns(item: Proposed) -> Component | None:
    """Return the log's columns with three of their values, those not used first."""
    if not item.columns:
        return None
    rows = sorted(item.columns, key=lambda c: c[2])
    unused = sum(not used for _, _, used in rows)
    return html.Details(
        [
            html.Summary(f"{counted(len(rows), 'column')} of the log; unused: {unused or 'none'}"),
            html.Table(
                [
                    html.Thead(
                        html.Tr([html.Th(w, scope="col") for w in ("Column", "Values", "Used")])
                    ),
                    html.Tbody(
                        [
                            html.Tr(
                                [
                                    html.Td(html.Code(name)),
                                    html.Td(values),
                                    html.Td("yes" if used else "no"),
                                ]
                            )
                            for name, values, used in rows
                        ]
                    ),
                ],
                className="plain-table",
            ),
        ]
    )


def looked_at(look: Look, joint: str) -> Component:
    """Return one joint as a map reads it, and what the map switches on and off."""
    if look.preview is None:
        return html.P(look.trouble, className="message trouble")
    seen = look.preview
    off = [html.Li(text) for text in seen.switched_off]
    return html.Div(
        [
            html.P(
                f"The first {counted(len(seen.time_s), 'row')}, from {seen.start}; "
                f"{joint} is read from "
                + ", ".join(
                    f"{name.rpartition('.')[2]}: {column}"
                    for name, column in seen.columns.items()
                    if name.startswith(f"{joint}.")
                )
            ),
            dcc.Graph(
                figure=joint_preview(joint, seen.time_s, seen.channels),
                config=GRAPH_CONFIG,  # type: ignore[arg-type]
            ),
            html.P("This map leaves switched off:" if off else "This map switches nothing off."),
            html.Ul(off) if off else None,
        ]
    )
