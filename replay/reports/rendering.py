"""From a template and what it says to one HTML file, and from that to a PDF.

The HTML needs nothing beside itself and may run nothing: a policy in its head
forbids scripts, and every word is escaped by the template engine. The PDF is
the same document laid out on A4 by WeasyPrint, which needs no browser but the
Pango library of the system.
"""

from __future__ import annotations

import base64
import functools
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from replay.errors import JointbookError
from replay.reports.provenance import program
from replay.reports.words import instant
from replay.wording import typeset


class ReportError(JointbookError):
    """A report could not be made as asked."""


@dataclass(frozen=True, slots=True)
class Report:
    """A finished report; ``name`` is a file name without its ending.

    ``drawings`` are its plots as SVG, each with a file name of its own.
    """

    name: str
    title: str
    html: str
    drawings: tuple[tuple[str, str], ...] = ()

    def pdf(self) -> bytes:
        """Return the same document as a PDF.

        Raises
        ------
        ReportError
            The system lacks the library that lays text out.
        """
        return pdf_of(self.html)


def report(template: str, name: str, title: str, under: str, said: Mapping[str, Any]) -> Report:
    """Return the report that a template makes of what is to be said."""
    made = {
        "title": title,
        "under": under,
        "program": program(),
        "made_at": instant(datetime.now(UTC)),
    }
    return Report(name, title, _templates().get_template(template).render(**made, **said))


def pdf_of(html: str) -> bytes:
    """Lay a self-contained HTML document out as a PDF; nothing is fetched."""
    try:
        from weasyprint import HTML
        from weasyprint.urls import FatalURLFetchingError, URLFetcher
    except OSError as error:  # it is there, what it draws text with is not
        raise ReportError(
            f"a PDF needs the Pango library: {error}",
            todo="on Debian: apt install libpango-1.0-0 libpangoft2-1.0-0; the HTML prints as well",
        ) from error
    inside = URLFetcher(allowed_protocols=["data"], fail_on_errors=True)
    try:
        return bytes(HTML(string=html, url_fetcher=inside).write_pdf())
    except FatalURLFetchingError as error:
        raise ReportError(f"a report fetches nothing: {error}") from None


@functools.cache
def _templates() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("replay.reports", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        finalize=_set,
    )
    assert made.loader is not None
    made.globals["css"] = _style(made)
    made.filters["picture"] = _picture
    made.filters["longest"] = lambda text: max(map(len, text.split()), default=0)
    return made


def _set(said: Any) -> Any:
    """Set what a report says as pages do: true minus signs, as its drawings have; no markup."""
    return typeset(said) if type(said) is str else said


def _style(templates: Any) -> Any:
    from markupsafe import Markup

    return Markup(templates.loader.get_source(templates, "report.css")[0])


def _picture(svg: str) -> str:
    """Return a drawing as an address of its own; inside an image nothing can run."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
