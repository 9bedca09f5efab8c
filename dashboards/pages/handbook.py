"""Handbook: what every word, kind, indicator and figure means, and what not to conclude."""

from __future__ import annotations

from functools import cache

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.pickers import labelled
from dashboards.components.static_html import static_html
from dashboards.components.terms import address
from dashboards.handbook import GROUPS, Entry, entries, entry_of
from dashboards.handbook.pictures import PICTURES, picture, words_of
from dashboards.links import View
from dashboards.pages.page import Desk, Page


def layout(desk: Desk, view: View) -> Component:
    """Return the entry asked for and the articles; the others follow (`entries_as_html`)."""
    known = entries()
    asked = view.extra.get("entry", "")
    key = asked if asked in known else entry_of(asked) if asked else None
    first = known[key] if key else None
    parts: list[Component] = []
    if asked and first is None:
        parts.append(
            basics.message(f"The handbook has no entry “{asked}”.", "Search below, or look down.")
        )
    if first is not None:
        parts.append(_entry(first, asked=True))
    articles = [e for e in known.values() if e.article and e is not first]
    parts.append(_group("articles", [_entry(e) for e in articles]))
    # The other entries come as text of their own, the browser sets them as they are.
    parts.append(html.Div(id="handbook-entries", **basics.attributes(data_asked=key or "")))
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Handbook"),
                    labelled(
                        "Find",
                        dcc.Input(
                            id="handbook-find",
                            type="search",
                            value=view.extra.get("find", ""),
                            debounce=False,
                            placeholder="any word",
                            style={"width": "220px"},
                        ),
                    ),
                    html.Span(id="handbook-count", role="status", className="faint"),
                ],
                className="row",
            ),
            _contents(),
            *parts,
        ],
        className="handbook",
    )


def _group(group: str, shown: list[Component]) -> Component:
    return html.Section(
        [html.H2(GROUPS[group], id=f"group-{group}"), *shown],
        className="handbook-group",
        **aria(labelledby=f"group-{group}"),
    )


@cache
def entries_as_html() -> str:
    """Return every entry but the articles, by group, as HTML."""
    groups = [g for g in GROUPS if g != "articles"]
    return static_html(
        [_group(g, [_entry(e) for e in entries().values() if e.group == g]) for g in groups]
    )


def register(app: Dash, desk: Desk) -> None:
    """Add the search, the entries' text and the pictures."""
    app.clientside_callback(
        ClientsideFunction("jointbook_handbook", "find"),
        Output("handbook-count", "children"),
        Input("handbook-find", "value"),
    )

    @app.server.route("/data/handbook/entries.html")
    def handbook_entries() -> Response:
        return Response(entries_as_html(), mimetype="text/html")

    @app.server.route("/data/handbook/<name>.svg")
    def draw(name: str) -> Response | tuple[str, int]:
        if name not in PICTURES:
            return "no such picture", 404
        dark = request.args.get("theme") == "dark"
        answer = Response(picture(name, dark=dark), mimetype="image/svg+xml")
        answer.headers["Cache-Control"] = "public, max-age=3600"
        return answer


def _contents() -> Component:
    articles = [e for e in entries().values() if e.article]
    return html.Nav(
        [basics.go(e.title, f"/handbook?entry={e.key}") for e in articles],
        className="row handbook-contents",
        **aria(label="Articles"),
    )


def _entry(entry: Entry, *, asked: bool = False) -> Component:
    said = [("How it is computed", entry.how), ("Source", entry.source)]
    said += [("Do", entry.do), ("Beware", entry.dont)]
    also = ", ".join(entry.also) if not entry.article else ""
    body = [
        _what(entry),
        html.Ul([html.Li([html.Strong(word), f": {text}"]) for word, text in said]),
        html.P(f"On the pages also: {also}", className="faint entry-also") if also else None,
    ]
    return html.Article(
        [
            html.H2(entry.title) if asked else html.H3(_to_itself(entry)),
            html.Div([_picture(entry.picture), html.Div(body)], className="entry-body"),
        ],
        className="sheet entry"
        + (" asked" if asked else "")
        + (" article" if entry.article else ""),
        id=f"{'asked' if asked else 'entry'}-{entry.key}",
        **basics.attributes(data_entry=entry.key),
    )


def _to_itself(entry: Entry) -> Component:
    """Return an entry's title, as the link by which it is handed on."""
    return html.A(entry.title, href=address(entry.key), className="term")


def _what(entry: Entry) -> Component:
    if entry.article:
        return dcc.Markdown(entry.what.strip(), className="entry-what")
    return html.P(entry.what, className="entry-what")


def _picture(name: str) -> Component:
    return html.Figure(
        [
            html.Img(
                src=f"/data/handbook/{name}.svg{theme}",
                alt=words_of(name),
                className=seen,
            )
            for seen, theme in (("on-light", ""), ("on-dark", "?theme=dark"))
        ],
        className="entry-picture",
    )


PAGE = Page(
    "handbook",
    "Handbook",
    "What every word, kind, indicator and figure means, and what not to conclude from it.",
    layout,
    register,
    {"entry": None, "find": None},
)
