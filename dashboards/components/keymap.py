"""The keys and what they do: one table for the help and for the browser."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.basics import attributes

KEYS: tuple[tuple[str, str, str], ...] = (
    ("Space", "Play or pause", "replay"),
    ("← →", "One sample back or forth", "replay"),
    ("Shift ← →", "One second back or forth", "replay"),
    ("E  R", "Slower or faster", "replay"),
    ("B", "Turn the direction of play", "replay"),
    ("N  P", "Next or previous flag", "replay, event"),
    ("Z", "Zoom to the flag at the cursor", "replay"),
    ("+ −", "Zoom in or out around the cursor", "replay"),
    ("Page ↑ ↓", "Shift the window back or forth", "replay"),
    ("0", "Show the whole session", "replay"),
    ("M", "Set the second cursor here; again to clear it", "replay"),
    ("O", "Go round the span between the cursors, else the window", "replay"),
    ("S", "The front joint alone; again for those shown before", "replay"),
    ("A", "Angles since the cursor's instant, each joint at its own scale; again to end", "replay"),
    ("I", "Pin a note at the cursor", "replay"),
    ("K", "Measure the front joint, or all that are shown", "replay"),
    ("1 … 7", "Bring a joint to the front", "replay"),
    ("E", "Open the finding's event", "queue"),
    ("N  P", "Next or previous finding", "queue"),
    ("V", "Go to the verdict", "queue"),
    ("G", "To the sign-off of the session in hand", "queue"),
    ("Ctrl Enter", "Keep the verdict and bring the next finding", "queue"),
    ("V", "Go to what is asked next", "sign-off"),
    ("G", "Back to what waits in the queue", "sign-off"),
    ("Ctrl Enter", "Sign", "sign-off"),
    ("G", "To this finding in the queue", "event"),
    ("I", "Note the unit's maintenance", "wear"),
    ("R", "Step through it in the replay", "event"),
    ("Enter", "Open the row in the replay", "library"),
    ("?", "Show or hide this list", "everywhere"),
    ("T", "Light or dark", "everywhere"),
    ("Esc", "Close this list, or the form of a pin", "everywhere"),
)


WHERE: tuple[str, ...] = ("replay", "queue", "sign-off", "event", "wear", "library", "everywhere")
"""The pages that have keys, in the order of the help."""


def help_overlay() -> Component:
    """Return the list of keys, page by page, hidden until asked for."""
    tables = [
        html.Table(
            [
                html.Caption(where.capitalize()),
                html.Tbody(
                    [
                        html.Tr([html.Td(html.Kbd(keys)), html.Td(what)])
                        for keys, what, pages in KEYS
                        if where in pages.split(", ")
                    ]
                ),
            ],
            **attributes(data_where=where),
        )
        for where in WHERE
    ]
    return html.Div(
        html.Div(
            [
                html.H2("Keys", id="help-title"),
                html.Div(tables, className="help-tables"),
                html.Div(
                    [
                        html.Button(
                            "Single keys act", id="single-keys", **attributes(aria_pressed="true")
                        ),
                        html.Span("Switched off, only Esc and the buttons act."),
                        html.Button("Close", id="help-close"),
                    ],
                    className="tools",
                ),
            ],
            className="help-sheet",
        ),
        id="help",
        className="help",
        role="dialog",
        hidden=True,
        **attributes(aria_labelledby="help-title", aria_modal="true"),
    )
