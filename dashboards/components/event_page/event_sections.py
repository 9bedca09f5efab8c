"""Empty places of the event page that its callbacks fill once they are opened, and their controls.

A section is folded at first: until somebody opens it nothing of it is computed or drawn, so
that what decides is there sooner. `assets/event.js` tells by the section's store that it is open.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria, save_links
from dashboards.components.pickers import choice
from dashboards.components.unknown_parameters import Words
from dashboards.figures.event import QUANTITIES
from dashboards.links import View

COUNTS = (3, 5, 10)


def words(rates: Sequence[float]) -> Words:
    """Return the page's own words in an address, with their values."""
    return {
        "by": tuple(QUANTITIES),
        "k": tuple(str(n) for n in COUNTS),
        "rate": tuple(f"{r:g}" for r in rates),
    }


OF_KIND = {
    "brake-slip": "turned_deg",
    "angle-sensor": "turned_deg",
    "stall": "rate_deg_s",
    "stick-slip": "rate_deg_s",
}
"""What a kind is seen in, where that is not the current."""


def placeholders(
    view: View,
    rates: Sequence[float],
    saved: dict[str, dict[str, str]],
    words: dict[str, str],
    kind: str = "",
) -> list[Component]:
    """Return the sections in order, with the choices that the address keeps.

    Parameters
    ----------
    view : View
    rates : sequence of float
        False flags per 100 joint-hours that the what-if offers.
    saved : dict
        For each section the addresses of its table by form; ``words`` says
        what that table is.
    kind : str
        Kind of the flag: similar motions are drawn in what it is seen in.
    """

    def save(name: str) -> Component:
        return save_links(words[name], saved[name])

    usual = OF_KIND.get(kind, "current_a")
    by = view.extra.get("by", usual)
    count = view.extra.get("k", "5")
    rate = view.extra.get("rate", "")
    return [
        _section(
            "likes",
            "Similar motions, aligned on onset",
            [
                choice("Quantity", "event-by", QUANTITIES, by if by in QUANTITIES else usual),
                choice(
                    "Motions",
                    "event-k",
                    {str(n): str(n) for n in COUNTS},
                    count if count in {str(n) for n in COUNTS} else "5",
                ),
                html.Button("Look through all sessions", id="event-index", n_clicks=0),
                save("likes"),
            ],
        ),
        _section(
            "scores",
            "Score through time, and what another limit would do",
            [
                choice(
                    "False flags per 100 joint-hours",
                    "event-rate",
                    {"": "as learned", **{f"{r:g}": f"{r:g}" for r in rates}},
                    rate if rate in {f"{r:g}" for r in rates} else "",
                ),
                html.Button("Count in all sessions", id="event-count", n_clicks=0),
                save("scores"),
            ],
            "rebuilt",
            "everywhere",
        ),
        _section("others", "Other joints at the same instants", [save("others")]),
        _section("brakes", "Brake sequence", [save("brakes")]),
        _section("sensors", "Sensor health", [save("sensors")]),
    ]


def asked_for(name: str) -> str:
    """Return the id of the store that tells that a section was opened; empty until then."""
    return f"event-asked-{name}"


def _section(name: str, title: str, controls: list[Component], *more: str) -> Component:
    """Return a section with a place to fill, and further places of its own."""
    return html.Details(
        [
            html.Summary(html.H2(title, id=name)),
            html.Div(controls, className="tools"),
            dcc.Store(id=asked_for(name)),
            *(
                dcc.Loading(
                    html.Div(id=f"event-{part}", className="event-part", **aria(live="polite")),
                    type="dot",
                    delay_show=300,
                )
                for part in (name, *more)
            ),
        ],
        className="sheet event-fold",
        open=False,
    )
