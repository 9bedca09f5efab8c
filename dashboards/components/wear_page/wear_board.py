"""The blocks of the wear page: the fleet, the small pictures, one unit's notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.pickers import choice, labelled
from dashboards.figures.wear import spark_mask
from dashboards.links import View
from dashboards.queries import wear
from replay.records import Trend
from replay.wording import counted, kind_words, number

SHAPES = {
    "past limit": ("▲", "act"),
    "worsening": ("▲", "act"),
    "unlike its peers": ("◆", "look"),
    "watch": ("◇", "look"),
    "changing": ("◆", "look"),
    "steady": ("○", "note"),
    "too few sessions": ("·", "note"),
    "removed": ("·", "note"),
}
TURNS = {"rising": "↗", "falling": "↘", "steady": "→", "too-few": "·"}


SURE = "sure of trend"
HEAD = ("attention", "unit", "place", "open findings", "why", "latest", "limit reached", SURE)


def address(serial: str, indicator: str, against: str = "time") -> str:
    """Return the wear page's address for one history."""
    extra = {"serial": serial, "indicator": indicator}
    if against != "time":
        extra["against"] = against
    return links.href("wear", View(), **extra)


def fleet_block(
    table: pl.DataFrame,
    against: str,
    order: str = "attention",
    before: str = "",
    waiting: Mapping[str, wear.OpenFindings] | None = None,
) -> Component:
    """Return the fleet as a table, what needs attention first or what falls due first.

    ``waiting`` are the units' findings that nobody has judged.
    """
    held = waiting or {}
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Fleet"),
                    choice(
                        "Order",
                        "wear-order",
                        {"attention": "by attention", "date": "by limit date"},
                        order,
                        width=140,
                    ),
                    labelled(
                        "Due before",
                        dcc.Input(
                            id="wear-before",
                            type="text",
                            value=before,
                            debounce=True,
                            placeholder="2033-06",
                            style={"width": "7em"},
                        ),
                    ),
                    html.Span(_counted(table, before), className="faint", role="status"),
                ],
                className="row",
            ),
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [html.Th(w, scope="col", role="columnheader") for w in HEAD], role="row"
                        ),
                        role="rowgroup",
                    ),
                    html.Tbody(
                        [
                            _fleet_row(row, against, held.get(row["serial"]))
                            for row in table.iter_rows(named=True)
                        ],
                        role="rowgroup",
                    ),
                ],
                className="plain-table wear-fleet",
                role="table",  # said, because a narrow screen sets the rows as blocks
            ),
        ],
        className="sheet wear-scroll",
        tabIndex="0",
        **aria(label="Fleet"),
    )


def _counted(table: pl.DataFrame, before: str) -> str:
    if not before:
        return ""
    count = table.height
    units = counted(count, "unit")
    return f"{units} whose limit may be reached before {before}: the early end of the interval"


def waits(found: wear.OpenFindings, text: str) -> Component:
    """Return a link to the queue, opened at a unit's gravest finding."""
    return basics.go(
        text,
        links.href("queue", View(session=found.session, flag=found.finding)),
        className=f"severity {found.severity}",
        title=f"{counted(found.count, 'open finding')}, the gravest {found.severity}: "
        f"{found.summary}",
    )


def head_of_unit(found: wear.OpenFindings | None) -> Component | None:
    """Return the line of a unit's open findings, for the head of its history."""
    if found is None:
        return None
    many = counted(found.count, "open finding")
    return html.P(
        [f"{many}, the gravest {found.severity}: ", waits(found, found.summary)],
        className="wear-open",
    )


def _fleet_row(row: dict[str, Any], against: str, found: wear.OpenFindings | None) -> Component:
    shape, tone = SHAPES[row["attention"]]
    place = f"{row['arm']} {row['joint']}" + ("" if row["installed"] else ", removed")
    last = row["last_value"]
    steady = row["result"] == "steady" and row["attention"] in ("steady", "removed")
    cells: tuple[Any, ...] = (
        html.Span([shape, " ", row["attention"]], className=f"severity {tone}"),
        basics.go(row["serial"], address(row["serial"], row["indicator"], against)),
        place,
        waits(found, f"{found.count}, {found.severity}") if found else "",
        row["why"],
        "" if last is None else f"{plain(last)} {row['unit']}",
        wear.due_of(row),
        "" if steady or row["confidence"] is None else sure(row["confidence"]),
    )
    return html.Tr(
        [
            html.Td(
                cell,
                role="cell",
                className="number" if word in ("latest", SURE) else "",
                **basics.attributes(data_head=word),
            )
            for word, cell in zip(HEAD, cells, strict=True)
        ],
        role="row",
    )


def plain(value: float) -> str:
    """Return a figure with three digits, two below one, and never a power of ten.

    >>> plain(46.23), plain(0.0976), plain(9.63e-05), plain(0.0), plain(1234.5)
    ('46.2', '0.098', '0.0001', '0', '1,234')
    >>> plain(999.6), plain(12345.0), plain(-2.5e6)
    ('1,000', '12,345', '−2,500,000')
    """
    if abs(value) < 5e-5:
        return "0"
    small = f"{value:.4f}".rstrip("0")
    text = number(value, 3 if abs(value) >= 1 else 2) if abs(value) >= 0.01 else small
    return text.replace("-", "−")


def sure(share: float) -> str:
    """Return a confidence; never one that reads as certain.

    >>> sure(0.9412), sure(0.9936), sure(0.99987)
    ('94 %', '99.4 %', '> 99.9 %')
    """
    if share >= 0.9995:
        return "> 99.9 %"
    return f"{100 * share:.1f} %" if share >= 0.985 else f"{100 * share:.0f} %"


def multiples(found: Sequence[Trend], chosen: tuple[str, str] | None, against: str) -> Component:
    """Return one small picture per unit and indicator, units down, indicators across."""
    units = list(dict.fromkeys((t.arm, t.joint, t.serial) for t in found))
    names = list(dict.fromkeys(t.indicator for t in sorted(found, key=wear.column)))
    by_place = {(t.serial, t.indicator): t for t in found}
    head = html.Tr([html.Th("unit", scope="col"), *(html.Th(name, scope="col") for name in names)])
    rows = [
        html.Tr(
            [
                html.Th([joint, html.Br(), html.Span(serial, className="faint")], scope="row"),
                *(html.Td(_cell(by_place.get((serial, name)), chosen, against)) for name in names),
            ]
        )
        for _, joint, serial in units
    ]
    return html.Section(
        [
            html.H2("Every unit and indicator"),
            html.P(
                "Each line runs over the unit's sessions under usual conditions, oldest left; "
                "its arrow is the result. Choose one to see it in full; what does not fit is "
                "reached by scrolling sideways.",
                className="faint",
            ),
            html.Div(
                html.Table([html.Thead(head), html.Tbody(rows)], className="wear-multiples"),
                className="wear-scroll",
                tabIndex="0",
                role="region",
                **aria(label="Small pictures of every history"),
            ),
        ],
        className="sheet",
        **aria(label="Every unit and indicator"),
    )


def _cell(trend: Trend | None, chosen: tuple[str, str] | None, against: str) -> Component | None:
    if trend is None:
        return None
    tone = "act" if wear.worsens(trend) else "plain"
    if trend.result in ("rising", "falling") and tone == "plain":
        tone = "look"
    mask = spark_mask(trend.detail.get("spark", []))
    own = (trend.serial, trend.indicator) == chosen
    label = f"{trend.indicator} of {trend.serial} at {trend.joint}: {kind_words(trend.result)}"
    return dcc.Link(
        [
            html.Span(
                className=f"wear-spark {tone}",
                style={"maskImage": mask, "WebkitMaskImage": mask},
                **aria(hidden="true"),
            ),
            html.Span(TURNS[trend.result], className=f"wear-turn {tone}", **aria(hidden="true")),
            html.Span(f"{label}, {counted(trend.n, 'session')}", className="wear-words"),
        ],
        href=address(trend.serial, trend.indicator, against),
        className="wear-cell chosen" if own else "wear-cell",
        title=label,
    )
