"""The event page's argument: expected, seen, by how much, and the causes that fit less."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from dash import html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria
from dashboards.components.plain_tables import table
from dashboards.components.terms import term
from dashboards.handbook import entries, entry_of
from replay.wording import kind_words


class Weighed(Protocol):
    """A cause that was weighed."""

    @property
    def kind(self) -> str:
        """Its name."""

    @property
    def share(self) -> float:
        """Its weight as a share of the named one's."""

    @property
    def why(self) -> str:
        """Why it fits less."""

    @property
    def odds(self) -> str:
        """How likely it is beside the named one, in words."""


def picture_of(word: str) -> Component | None:
    """Return the handbook's small picture of a kind."""
    key = entry_of(word)
    if key is None:
        return None
    name = entries()[key].picture
    return html.Span(
        [
            html.Img(src=f"/data/handbook/{name}.svg", alt="", className="on-light"),
            html.Img(src=f"/data/handbook/{name}.svg?theme=dark", alt="", className="on-dark"),
        ],
        className="cause-picture",
    )


def argument_part(summary: str, steps: Iterable[tuple[str, str]]) -> Component:
    """Return the argument as one block.

    ``steps`` are (word, what) pairs: what was expected, seen, by how much, how
    rare. A step without words is left out.
    """
    told = [
        html.Div([html.Dt(term(word)), html.Dd(text)], className="argument-step")
        for word, text in steps
        if text
    ]
    return html.Section(
        [
            html.H2("Evidence", id="evidence"),
            html.P(summary, className="flag-summary"),
            html.Dl(told, className="argument") if told else None,
        ],
        className="sheet",
        **aria(labelledby="evidence"),
    )


def causes_part(kind: str, weighed: Sequence[Weighed], out: str) -> Component | None:
    """Return the other causes that were weighed, and those that are out."""
    if not weighed and not out:
        return None
    return html.Section(
        [
            html.H2(term("Other causes that were weighed"), id="causes"),
            *_others(kind, weighed),
            html.P(out, className="causes-out") if out else None,
        ],
        className="sheet",
        **aria(labelledby="causes"),
    )


def _others(kind: str, weighed: Sequence[Weighed]) -> list[Component]:
    if not weighed:
        return []
    rows = [
        [
            html.Span(
                [picture_of(kind), html.Strong(term(kind, kind_words(kind)))], className="cause"
            ),
            "the named one",
            "it explains the most of what was measured",
        ]
    ]
    rows += [
        [
            html.Span([picture_of(c.kind), term(c.kind, kind_words(c.kind))], className="cause"),
            c.odds or "not kept",
            c.why,
        ]
        for c in weighed
    ]
    return [
        table(
            ("Cause", "How likely beside it", "What speaks for and against"),
            rows,
            caption="Causes that were weighed",
        )
    ]


def measured_part(pairs: Iterable[tuple[str, str]]) -> Component | None:
    """Return the measured figures in words, folded; nothing where there are none."""
    there = dict(pairs)
    if "channels" in there:  # one of them, the longest, is kept alone too
        there.pop("channel", None)
    told = [(SPOKEN[key], value) for key, value in there.items() if key in SPOKEN and value]
    if not told:
        return None
    return html.Details(
        [
            html.Summary("Measured figures"),
            html.Dl(
                [html.Div([html.Dt(key), html.Dd(value)]) for key, value in told],
                className="facts evidence",
            ),
        ],
        className="sheet",
    )


SPOKEN: dict[str, str] = {
    "expected": "usual current of the motion",
    "drag": "mean residual against the motion",
    "forward": "mean residual forward",
    "backward": "mean residual backward",
    "resting": "residual at rest",
    "held": "residual with the brake engaged",
    "peak": "largest residual, smoothed",
    "push": "mean residual in the commanded direction",
    "extra": "extra current",
    "before release": "drag in the release before",
    "after release": "drag in the release after",
    "speed": "median speed",
    "temperature": "temperature",
    "payload": "payload as logged",
    "duration": "length of the event",
    "moving": "time moving",
    "braked": "brake engaged",
    "behind": "time behind the command",
    "behind command": "share of the travel due that is missing",
    "astray": "angle beyond what the rate adds up to",
    "stayed": "displacement that stays",
    "stops and starts": "stops and starts that nobody commanded",
    "load with payload": "residual per usual load, loaded",
    "load without payload": "residual per usual load, empty",
    "size": "size of the best-fitting form",
    "channel": "channel that was lost",
    "channels": "channels that were lost",
}
"""The kept figures in a reader's words; what is not here is the program's own bookkeeping."""
