"""Links to reports: to read in the browser, and as a PDF for paper."""

from __future__ import annotations

from urllib.parse import quote

from dash import html
from dash.development.base_component import Component

ROOT = "/api/v1"

BUNDLE = "/data/queue/bundle.zip"
"""Where the server makes an evidence bundle, with ``session`` and, for one, ``finding``."""


def session_report_links(session: str) -> Component:
    """Return the links to a session's report."""
    return _links("Report", f"{ROOT}/sessions/{quote(session, safe='')}/report")


def unit_report_links(serial: str) -> Component:
    """Return the links to a joint unit's sheet."""
    return _links("Report", f"{ROOT}/units/{quote(serial, safe='')}/report")


def summary_report_links(arm: str | None = None) -> Component:
    """Return the links to the summary of all sessions, or of an arm's."""
    return _links("Summary", f"{ROOT}/report", f"arm={quote(arm, safe='')}" if arm else "")


def bundle_link(session: str, finding: str = "") -> Component:
    """Return the link to the evidence bundle of a session, or of one of its findings."""
    asked = f"session={quote(session, safe='')}"
    asked += f"&finding={quote(finding, safe='')}" if finding else ""
    return html.A(
        "Evidence bundle",
        href=f"{BUNDLE}?{asked}",
        className="button quiet",
        title="One file with all that this rests on; made and verified first, which takes a while",
    )


def _links(words: str, address: str, query: str = "") -> Component:
    more = f"&{query}" if query else ""
    return html.Span(
        [
            html.A(
                words, href=f"{address}?form=html{more}", target="_blank", className="button quiet"
            ),
            html.A("PDF", href=f"{address}?form=pdf{more}", className="button quiet"),
        ],
        className="tools report-links",
    )
