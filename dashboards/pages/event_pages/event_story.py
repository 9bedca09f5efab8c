"""The event page's story: the joint before, during and after."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash.development.base_component import Component

from dashboards import links
from dashboards.components.figure_card import figure_card, save_links
from dashboards.figures.story import story as draw_story
from dashboards.links import View
from dashboards.pages.page import Desk
from dashboards.queries import decisions
from dashboards.queries.event import channel_lines, events
from dashboards.queries.session.brake_runs import brake_runs
from replay.units import channel

NO_CURRENT = "No motor current of {} is in this log; what else was logged of it is drawn. "


def story(desk: Desk, event: events.Event, window: tuple[datetime, datetime]) -> Component:
    """Return the plot of the joint around the event, with its saving."""
    start, end = window
    figure, rest = drawn(desk, event, start, end)
    span = View(start_ns=links.to_ns(start), end_ns=links.to_ns(end))
    base = f"/data/event/{event.record.session}/{event.joint}"
    query = links.href("", span).partition("?")[2]
    return figure_card(
        "event-story",
        "Before, during, after",
        figure,
        ("" if events.has_current(event) else NO_CURRENT.format(event.joint))
        + "The shaded stretch is the event. Drag over a plot to zoom in, double-click to come "
        f"back; a click puts its instant into the pin form.{rest}",
        height=402,
        tools=[
            save_links(
                "every sample of this span",
                {form: f"{base}.{form.lower()}?{query}" for form in ("CSV", "Parquet")},
            )
        ],
    )


AT_REST = (
    " Where the joint stands with its brake released nothing is drawn as expected: friction holds "
    "any current there, up to about {:.2f} A."
)


def story_figure(desk: Desk, event: events.Event, start: datetime, end: datetime) -> Any:
    """Return the figure of a window: the joint's rows, its brake, the pins."""
    return drawn(desk, event, start, end)[0]


def drawn(desk: Desk, event: events.Event, start: datetime, end: datetime) -> tuple[Any, str]:
    """Return the figure of a window, and why nothing is drawn as expected in a part of it."""
    rows = events.joint_rows(desk.archive, event, start, end)
    known = {name for names in event.record.channels.values() for name in names}
    brakes = [
        (word, brake_runs(desk.archive, event.record, event.joint, name, start, end))
        for word, name in (
            ("told", channel(event.joint, "brake_engage_cmd")),
            ("state", channel(event.joint, "brake_engaged")),
        )
        if name in known
    ]
    pins = decisions.pinned(desk.archive, event.record.session, start, end)
    most = rows["holds_a"].max()
    rest = AT_REST.format(most) if isinstance(most, float) else ""
    figure = draw_story(
        rows,
        event.start,
        event.end,
        joint_index=event.record.joints.index(event.joint),
        brakes=brakes,
        pins=pins,
        angle_first=event.kind in ("brake-slip", "angle-sensor"),
        lines=channel_lines.own_lines(desk.archive, event, start, end),
    )
    return figure, rest
