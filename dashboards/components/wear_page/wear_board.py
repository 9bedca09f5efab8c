"""The blocks of the wear page about one unit: its open findings, the small pictures."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.figures.wear import spark_mask
from dashboards.links import View
from dashboards.queries import wear
from replay.records import Trend
from replay.wording import counted, kind_words, number

TURNS = {"rising": "↗", "falling": "↘", "steady": "→", "too-few": "·"}


def address(serial: str, indicator: str, against: str = "time") -> str:
    """Return the wear page's address for one history."""
    extra = {"serial": serial, "indicator": indicator}
    if against != "time":
        extra["against"] = against
    return links.href("wear", View(), **extra)


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
