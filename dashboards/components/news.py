"""The mark by which the browser knows what a page shows, and as of which entry of the record."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.basics import attributes


def news_mark(after: int, session: str = "") -> Component:
    """Return the mark of a page that shows a session, or all, as of an entry.

    A page that has one is told within seconds what others put on record
    (`assets/02_news.js`); ``after`` is read before what the page shows.
    """
    data = attributes(data_after=str(after), data_session=session)
    return html.Span(hidden=True, className="news-mark", **data)
