"""The parts of the event page: evidence, tables, pins."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria
from dashboards.components.plain_tables import number, table
from replay.wording import clock


def motions_table(motions: pl.DataFrame, own: dict[str, Any], link: Any, alike: float) -> Component:
    """Return the similar motions as rows; ``link(row)`` gives each its address.

    ``alike`` is the distance up to which a motion is alike.
    """
    rows: list[list[Any]] = [
        [
            "this motion",
            "",
            number(own["speed_deg_s"]),
            number(own["load_nm"], 0),
            number(own["payload_kg"], 0),
            number(own["temperature_c"], 1),
            number(own["angle_deg"], 1),
            number(own["duration_s"], 1),
            number(own["current_a"]),
            "",
        ]
    ]
    rows += [
        [
            dcc.Link(f"{m['start']:%Y-%m-%d %H:%M:%S}", href=link(m)),
            number(m["distance"]),
            number(m["speed_deg_s"]),
            number(m["load_nm"], 0),
            number(m["payload_kg"], 0),
            number(m["temperature_c"], 1),
            number(m["angle_deg"], 1),
            number(m["duration_s"], 1),
            number(m["current_a"]),
            "; ".join(["flagged itself"] * m["flagged"] + ["not alike"] * (m["distance"] > alike)),
        ]
        for m in motions.iter_rows(named=True)
    ]
    heads = (
        "Motion",
        "Distance",
        "Speed deg/s",
        "Load N m",
        "Payload kg",
        "Temp. °C",
        "Posture deg",
        "Length s",
        "Current A",
        "",
    )
    return table(heads, rows, caption="Similar motions", numbers={1, 2, 3, 4, 5, 6, 7, 8})


def brakes_table(rows: pl.DataFrame, of: str, count: int) -> Component:
    """Return the brake sequence, to the millisecond.

    ``of`` is the event's joint, ``count`` how many joints the session has.
    """
    body = [
        [
            clock(r["time"], 3),
            f"{r['from_event_s']:+.3f} s",
            html.Strong(_who(r["joints"], count))
            if of in r["joints"]
            else _who(r["joints"], count),
            r["what"],
            "" if r["since_ms"] is None else f"{r['since_ms']:.0f} ms",
        ]
        for r in rows.iter_rows(named=True)
    ]
    heads = ("Time UTC", "From the event", "Joints", "What", "After the line above")
    return table(heads, body, caption="Brake sequence", numbers={1, 4})


def _who(joints: list[str], count: int) -> str:
    return "all joints" if len(joints) == count else ", ".join(joints)


def health_table(rows: pl.DataFrame) -> Component:
    """Return how well each channel was recorded."""
    body = [
        [
            r["quantity"],
            str(r["samples"]),
            number(None if r["missing"] is None else 100 * r["missing"], 1, "%"),
            "told on change" if r["on_change"] else number(r["step_ms"], 1),
            number(r["gap_ms"], 1),
            number(r["unchanged_s"], 2),
            "–" if r["noise"] is None else f"{r['noise']:.3g} {r['unit']}",
        ]
        for r in rows.iter_rows(named=True)
    ]
    heads = (
        "Channel",
        "Samples",
        "Missing",
        "Usual step ms",
        "Longest step ms",
        "Longest unchanged s",
        "Noise",
    )
    return table(heads, body, caption="Sensor health", numbers={1, 2, 3, 4, 5, 6})


def joints_table(rows: pl.DataFrame, of: str) -> Component:
    """Return what each joint did during the event."""
    body = [
        [
            html.Strong(f"{r['joint']} (this one)") if r["joint"] == of else r["joint"],
            number(r["moved_deg_s"]),
            number(r["current_a"] if r["expected_a"] is None else r["compared_a"]),
            _expected(r),
            number(r["residual"], 1),
        ]
        for r in rows.iter_rows(named=True)
    ]
    heads = (
        "Joint",
        "Fastest deg/s",
        "Usual size of current A",
        "Expected A",
        "Largest residual, spreads",
    )
    return table(heads, body, caption="All joints during the event", numbers={1, 2, 4})


def _expected(row: dict[str, Any]) -> str:
    """Say the expected current, or why there is none."""
    if row["current_a"] is None:
        return "no current"
    if row["expected_a"] is not None:
        return number(row["expected_a"])
    if row["holds_a"] is not None:
        return f"none: it stands, and friction holds up to {row['holds_a']:.2f} A"
    return "none: the baseline does not tell"


def pins_part(pins: pl.DataFrame, zero: Any) -> Component:
    """Return the pinned notes and, for each, the button that withdraws it."""
    if not pins.height:
        return html.P("Nothing is pinned here yet.", className="faint")
    items = []
    for n, r in enumerate(pins.iter_rows(named=True), 1):
        at = (r["start"] - zero).total_seconds()
        until = (r["end"] - zero).total_seconds()
        when = f"{at:+.3f} s" if until <= at else f"{at:+.3f} to {until:+.3f} s"
        items.append(
            html.Li(
                [
                    html.Span(f"⚲{n} {when}", className="pin-when"),
                    html.Span(f" {r['joint'] or 'all joints'}: ", className="faint"),
                    r["text"],
                    html.Span(f" ({r['author']}, {r['at']:%Y-%m-%d %H:%M})", className="faint"),
                    html.Button(
                        "Withdraw",
                        id={"type": "pin-withdraw", "pin": r["pin"]},
                        n_clicks=0,
                        className="quiet",
                        **aria(label=f"Withdraw pin {n}"),
                    ),
                ]
            )
        )
    return html.Ol(items, className="pins")


def pin_form() -> Component:
    """Return the form that pins a note to an instant or a span."""

    def seconds(name: str, label: str) -> Component:
        return html.Label(
            [
                label,
                dcc.Input(
                    id=name, type="number", step="any", debounce=False, style={"width": "100px"}
                ),
            ],
            className="field",
        )

    return html.Div(
        [
            seconds("event-pin-from", "At, s after start"),
            seconds("event-pin-to", "Until (a span)"),
            html.Label(
                [
                    "Note",
                    dcc.Input(
                        id="event-pin-text", type="text", maxLength=2000, style={"width": "340px"}
                    ),
                ],
                className="field",
            ),
            html.Button("Pin the note", id="event-pin-add", n_clicks=0),
            html.Span(id="event-pin-said", role="status", className="refused-words"),
        ],
        className="row pin-form",
        role="group",
        **aria(label="Pin a note"),
    )
