"""Components as HTML text, for what is only read: a browser takes a thousand of them at once.

Dash draws each component of a page on its own, which took a browser 5 of the 7 s until the
handbook stood (2005 nodes, measured on a busy machine); text that it sets as a whole takes none.
"""

from __future__ import annotations

from html import escape
from typing import Any

from dash.development.base_component import Component

_NAMED = {"className": "class"}
_VOID = frozenset({"img", "br"})
_LAZY = ' loading="lazy"'
"""A picture is fetched when it comes near to sight, in the theme that is on."""


def static_html(part: Any) -> str:
    """Return a component of `dash.html`, and all inside it, as HTML; every text is escaped.

    Raises
    ------
    TypeError
        For a component that only works in the browser, such as an input.

    >>> from dash import html
    >>> static_html(html.P(["a < b", html.Img(src="/x.svg", alt="")], className="faint"))
    '<p class="faint">a &lt; b<img alt="" src="/x.svg" loading="lazy"></p>'
    """
    if part is None:
        return ""
    if isinstance(part, list | tuple):
        return "".join(map(static_html, part))
    if not isinstance(part, Component):
        return escape(str(part))
    if part._namespace != "dash_html_components":
        raise TypeError(f"{type(part).__name__} cannot be said in HTML alone")
    held = part.to_plotly_json()["props"]
    inside = static_html(held.pop("children", None))
    tag = type(part).__name__.lower()
    words = "".join(f' {_NAMED.get(k, k)}="{escape(str(v))}"' for k, v in sorted(held.items()))
    words += _LAZY if tag == "img" else ""
    return f"<{tag}{words}>" + ("" if tag in _VOID else f"{inside}</{tag}>")
