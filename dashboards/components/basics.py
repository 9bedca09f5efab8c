"""Small pieces that every page uses: messages, marks, cautions."""

from __future__ import annotations

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import theme

ADVICE = (
    "jointbook advises; it never clears an arm to move. The operator's own rules, "
    "local codes and licensed practice decide."
)


def attributes(**words: str) -> dict[str, Any]:
    """Return attributes such as ``aria-label`` from ``aria_label="…"``.

    >>> attributes(aria_label="Pages", data_page="wear")
    {'aria-label': 'Pages', 'data-page': 'wear'}
    """
    return {name.replace("_", "-"): value for name, value in words.items()}


def caution(text: str = ADVICE) -> Component:
    """Return a caution line; the default is the program's general one."""
    return html.P([html.Strong("Caution. "), text], className="caution", role="note")


def message(what: str, todo: str = "", *, kind: str = "plain") -> Component:
    """Return a message in words. ``kind``: plain | trouble."""
    return html.Div(
        [html.P(what, className="message-what"), html.P(todo) if todo else None],
        className=f"message {kind}",
        role="alert" if kind == "trouble" else "status",
    )


def severity(word: str) -> Component:
    """Return a severity as shape and word in its colour."""
    shape = theme.SEVERITY_SHAPES.get(word, "·")
    return html.Span(
        [html.Span(shape, **attributes(aria_hidden="true")), f" {word}"],
        className=f"severity {word}",
    )


def joint_mark(index: int, size: int = 12) -> Component:
    """Return a joint's mark, a small drawing in the joint's colour."""
    return html.Span(
        className=f"mark mark-{theme.joint_mark(index)}",
        style={"--mark": f"var(--joint-{index % 7})", "--size": f"{size}px"},
        **attributes(aria_hidden="true"),
    )


def go(text: str | list[Component], href: str, **properties: Any) -> Component:
    """Return a link within the dashboard; no reload."""
    return dcc.Link(text, href=href, className=properties.pop("className", "go"), **properties)
