"""Words of a link that the page does not know: said, not passed over.

A mistyped link would otherwise open some other view without a sign of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dash.development.base_component import Component

from dashboards.components.basics import message
from dashboards.links import View

Words = Mapping[str, Sequence[str] | None]
"""What a page knows beside session, window, cursor, joints and flag: each word with the values it
may have, None where they are many."""


def unknown_parameters(view: View, known: Words) -> list[str]:
    """Return a sentence for each thing in a link that is not known.

    >>> unknown_parameters(View(extra={"show": "opne"}), {"show": ("all", "open")})
    ['This page knows no show=opne; it knows all, open.']
    """
    said = [f"{name}={text} is not an instant that can be read." for name, text in view.odd]
    for word, value in view.extra.items():
        if word not in known:
            said.append(f"This page knows no “{word}” in a link ({word}={value}).")
            continue
        values = known[word]
        if values is not None and value not in values:
            said.append(f"This page knows no {word}={value}; it knows {', '.join(values)}.")
    return said


def unknown_parameters_note(sentences: Sequence[str]) -> Component | None:
    """Return the sentences as a message above the page, or nothing."""
    if not sentences:
        return None
    return message(
        "The link asks for something that is not known; the rest of it is shown.",
        " ".join(sentences),
    )
