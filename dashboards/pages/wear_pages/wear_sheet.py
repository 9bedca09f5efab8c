"""A joint unit on paper: trends with their limits, findings, maintenance, duty."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import figure_card
from dashboards.components.plain_tables import table
from dashboards.components.report_links import unit_report_links
from dashboards.figures.wear import history_figure
from dashboards.links import View
from dashboards.pages.page import Desk
from dashboards.queries import wear
from replay.errors import DamageError, JointbookError
from replay.records import Trend
from replay.wording import kind_words

HOW_TO_READ = (
    "The joint's mark: a session under usual conditions, with its 90 % interval; short stroke: as "
    "measured. "
    "Dotted: moving average. Line and band: trend and 90 % of its slope. Dashed: projection, "
    "with the fan that holds 90 % of what fits; thick on the limit: when it is reached. "
    "An interval of more than three times the usual length runs off its axes."
)


def unit_sheet(desk: Desk, found: Sequence[Trend], serial: str, against: str) -> Component:
    """Return everything that is known of a unit as one sheet to print."""
    parts: list[Component] = []
    notes: list[Component] = []
    place = next((f"{t.arm} {t.joint}".strip() for t in found if t.serial == serial), "")
    for indicator in wear.leading_indicators(found, serial):
        try:
            history = wear.history(desk.archive, serial, indicator, against)
        except DamageError:
            raise
        except JointbookError:
            continue
        if not notes:
            notes = [
                html.Li(
                    f"{r['date']:%Y-%m-%d}: {', '.join(filter(None, (r['what'], r['detail'])))}"
                )
                for r in history.notes.iter_rows(named=True)
            ]
        parts.append(
            figure_card(
                f"sheet-{indicator.replace(' ', '-')}",
                indicator,
                history_figure(
                    history, small=True, place=wear.place_of(desk.archive, history.points)
                ),
                html.P(wear.sentence(history)),
                height=210,
                level=3,
            )
        )
    findings = wear.findings_of(desk.archive, serial)
    rows = [
        [
            f"{r['start']:%Y-%m-%d %H:%M}",
            kind_words(r["kind"]),
            r["severity"],
            r["verdict"],
            basics.go(
                r["summary"], links.href("event", View(session=r["session"], flag=r["flag"]))
            ),
        ]
        for r in findings.iter_rows(named=True)
    ]
    return html.Div(
        [
            html.Div(
                [
                    html.H1(f"Unit {serial}"),
                    html.Span(_as_of(found, serial, place), className="faint"),
                    html.Span(unit_report_links(serial), className="no-print"),
                    html.Button("Print", id="wear-print", type="button", className="no-print"),
                    basics.go(
                        "Back to wear",
                        links.href("wear", View(), serial=serial),
                        className="button quiet no-print",
                    ),
                ],
                className="row",
            ),
            *[basics.caution(words) for words in wear.cautions_of_unit(findings)],
            html.H2("Trends"),
            html.P(HOW_TO_READ, className="faint") if parts else None,
            html.Div(parts, className="figures-2")
            if parts
            else html.P("No indicator that a decision rests on was measured for this unit."),
            html.H2("Findings"),
            table(("Start, UTC", "Kind", "Severity", "Verdict", "What"), rows, caption="Findings")
            if rows
            else html.P("No flag names this unit. That is no clearance.", className="faint"),
            html.H2("Maintenance"),
            html.Ul(notes) if notes else html.P("No note yet.", className="faint"),
            html.H2("Duty"),
            html.P(wear.duty_words(desk.archive, serial) or "No use is counted yet."),
            basics.caution(
                "Dates are estimates with intervals, from the sessions in this archive. They plan "
                "a look, a repair or a replacement."
            ),
        ],
        className="wear unit-sheet",
    )


def _as_of(found: Sequence[Trend], serial: str, place: str) -> str:
    """Return where the unit sits and up to when its sessions reach: no other day is known here."""
    last = wear.last_session(found, serial)
    return f"{place}, as of its last session, {last:%Y-%m-%d}" if last else place
