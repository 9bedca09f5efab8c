"""Numbers as they are printed: a true minus, and degrees Celsius by their sign.

What is kept and handed on (flags, CSV, JSON) stays ASCII; it is set when it is shown.
"""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from replay.wording import typeset

_AS_TYPED = (html.Code, html.Pre, html.Kbd, html.Textarea)
"""What stands for something to be typed or read by a program."""


def set_in_type(component: Any) -> Any:
    """Set the words of a component and of everything inside it; returns it."""
    if isinstance(component, list | tuple):
        return type(component)(set_in_type(part) for part in component)
    if isinstance(component, str):
        return typeset(component)
    if not isinstance(component, Component) or isinstance(component, _AS_TYPED):
        return component
    inside = getattr(component, "children", None)
    if inside is not None:
        component.children = set_in_type(inside)
    return component
