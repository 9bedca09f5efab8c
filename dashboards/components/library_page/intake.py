"""The drop zone and the sheet on which a proposed map is confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import GRAPH_CONFIG, aria
from dashboards.components.library_page.proposed_lines import columns_part, lines_part
from dashboards.figures.intake import joint_preview
from replay.wording import counted

if TYPE_CHECKING:
    from dashboards.queries.intake import Look, Proposed

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
    return html.Div(
        [
            html.H3(f"{', '.join(item.logs[:4])}{' …' if len(item.logs) > 4 else ''}"),
            html.P(item.trouble, className="message trouble") if item.trouble else None,
            lines_part(item),
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
            columns_part(item),
            *_first_look(index, item),
        ],
        className="intake-proposal",
    )


def _first_look(index: int, item: Proposed) -> list[Component]:
    """Return what shows a joint as the map reads it, or why it cannot be shown yet."""
    if not item.can_be_shown:
        return [
            html.P(
                "This log has one value a row: a joint cannot be shown before it is taken in. "
                "Check units and signs in the lines above, and look at the joint on the replay "
                "page afterwards.",
                className="faint",
            )
        ]
    return [
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
    ]


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
