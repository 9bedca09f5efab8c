"""The document that every page is drawn into: what loads first, what loads later.

A first visit should wait for as little as can be. So our own scripts and style
sheets go out as one file each; the grid's program, the largest of all, comes
only when a grid is to be drawn (`assets/00_later.js`); what Dash would add for
tables we do not have is left out; and everything is compressed once, before
somebody asks.
"""

from __future__ import annotations

import gzip
import hashlib
import logging
import re
import threading
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from dash import Dash
from flask import Response, has_request_context, request, send_from_directory

from dashboards import theme
from replay.errors import JointbookError

ASSETS = Path(__file__).with_name("assets")
GRID_PAGES = ("library",)
"""Pages that show a grid, as they stand in the address."""

PLOT_PAGES = ("event", "compare", "baseline")
"""Pages that open with a plot: its program is fetched with the document (`assets/00_plots.js`)."""

PLOTS = "plotly-basic-4.1.1.min.js"
"""That program: the part of plotly.js with lines and bars, as its makers publish it, a quarter of
the whole; of the release that the installed Plotly describes."""

_PLOTS_AT = f"/data/frame/vendored/{PLOTS}"
_SCRIPT = re.compile(r'<script src="([^"]+)"></script>\n?')
_UNUSED = "/dash_table/"
_GRID = "/dash_ag_grid/"

_ASKED_NEXT = ("/_dash-layout", "/_dash-dependencies")
"""What Dash asks for once its programs run; the browser can fetch it beside them."""

_log = logging.getLogger(__name__)


class Shell(Dash):
    """Dash with a leaner document: see the module.

    ``warm_calls`` is what `warm` runs besides: what the first visitor of a
    page would wait for.
    """

    warm_calls: Sequence[Callable[[], Any]] = ()
    desk: Any = None
    """What the pages work with, for whoever stops the app."""

    def interpolate_index(
        self,
        metas: str = "",
        title: str = "",
        css: str = "",
        config: str = "",
        scripts: str = "",
        app_entry: str = "",
        favicon: str = "",
        renderer: str = "",
    ) -> str:
        """Return the document; Dash calls it for every first visit."""
        page = request.path.strip("/") if has_request_context() else ""
        needed, grid = _sorted_out(scripts)
        plots_first = page in PLOT_PAGES
        early = f'<link rel="preload" as="script" href="{grid}">' if page in GRID_PAGES else ""
        links = [
            f'<link rel="stylesheet" href="{address("css")}">',
            css,
            *(f'<link rel="preload" as="fetch" crossorigin href="{p}">' for p in _ASKED_NEXT),
            f'<meta id="grid-program" content="{grid}">{early}' if grid else "",
            f'<link rel="preload" as="script" href="{_PLOTS_AT}">' * plots_first,
            f'<meta id="plot-program" content="{_PLOTS_AT}"{" data-early=1" * plots_first}>',
        ]
        scripts = f'<script src="{address("js")}"></script>\n{needed}'
        document = super().interpolate_index(
            metas, title, "".join(links), config, scripts, app_entry, favicon, renderer
        )
        return str(document)


def index() -> str:
    """Return the document's frame, with Dash's own places to fill."""
    return _INDEX.replace("/*THEME*/", theme.css()).replace("/*ICON*/", quote(_ICON))


def serve(app: Dash) -> None:
    """Serve our scripts as one file, our style sheets as another, and what others wrote."""

    @app.server.route("/data/frame/ours.<kind>")
    def ours(kind: str) -> Response | tuple[str, int]:
        if kind not in _MIME:
            return "js and css are offered", 404
        return _kept(Response(together(kind), mimetype=_MIME[kind]))

    @app.server.route(_PLOTS_AT)
    def plots() -> Response:
        return _kept(send_from_directory(ASSETS / "vendored", PLOTS))


def _kept(answer: Response) -> Response:
    """Return an answer that a browser may keep: another content has another address."""
    answer.headers["Cache-Control"] = "public, max-age=31536000, immutable"
    return answer


def refuse_unknown(
    app: Dash, pages: Sequence[str], missing: Callable[[str, str | None], bool]
) -> None:
    """Answer 404 for an address that is no page; the document says so in words all the same.

    ``missing(page, session)`` tells that a page is asked for a session that there is not.
    """

    @app.server.after_request
    def status(answer: Response) -> Response:
        name = request.path.strip("/")
        if request.endpoint != _ANY_ADDRESS or answer.status_code != 200:
            return answer
        try:
            gone = name not in pages or missing(name, request.args.get("session"))
        except JointbookError:
            gone = False  # the page tells what is wrong
        if gone:
            answer.status_code = 404
        return answer


_ANY_ADDRESS = "/<path:path>"
"""The endpoint by which Dash answers every address that nobody else does."""

_MIME = {"js": "application/javascript", "css": "text/css"}


@cache
def together(kind: str) -> str:
    """Return all files of a kind in the assets, in the order of their names."""
    return "\n".join(f.read_text("utf-8") for f in sorted(ASSETS.glob(f"*.{kind}")))


def address(kind: str) -> str:
    """Return where `together` is served; another content has another address."""
    mark = hashlib.sha256(together(kind).encode()).hexdigest()[:12]
    return f"/data/frame/ours.{kind}?v={mark}"


def warm(app: Shell) -> threading.Thread:
    """Do in the background, once, what the first visitor would wait for.

    Compresses what a browser asks for first and makes the app's
    ``warm_calls``. Failures are left to the visit that meets them, where they
    are told.
    """

    def work() -> None:
        try:
            client = app.server.test_client()
            packed = {"Accept-Encoding": "gzip"}
            document = client.get("/library", headers=packed, base_url="http://localhost")
            text = document.get_data()
            if document.headers.get("Content-Encoding") == "gzip":
                text = gzip.decompress(text)
            asked = re.findall(r'(?:src|href)="(/[^"]+)"', text.decode())
            for path in asked:
                client.get(path.replace("&amp;", "&"), headers=packed, base_url="http://localhost")
            for call in app.warm_calls:
                call()
        except Exception:
            _log.debug("warming up failed", exc_info=True)

    thread = threading.Thread(target=work, name="warm", daemon=True)
    thread.start()
    return thread


def _sorted_out(scripts: str) -> tuple[str, str]:
    """Return the scripts to load at once, and the grid's address."""
    grid = ""

    def keep(found: re.Match[str]) -> str:
        nonlocal grid
        where = found.group(1)
        if _GRID in where:
            grid = where
            return ""
        return "" if _UNUSED in where else found.group(0)

    return _SCRIPT.sub(keep, scripts), grid


_ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><path d="M2 14V7l6-4 6 5" '
    'fill="none" stroke="#00598c" stroke-width="2"/><g fill="#d55e00"><circle cx="2" cy="7" r="2"/>'
    '<rect x="6.2" y="1.2" width="3.6" height="3.6"/></g></svg>'
)
"""Two links and two joints, one round, one square."""

_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>{%metas%}<title>{%title%}</title><link rel="icon" href="data:image/svg+xml,/*ICON*/">
<style>/*THEME*/</style>{%css%}
<script>(function () { try { var t = localStorage.getItem("jointbook-theme");
if (t) document.documentElement.dataset.theme = t; } catch (e) { } })();</script>
</head>
<body>{%app_entry%}<div>{%config%}{%scripts%}{%renderer%}</div></body>
</html>"""
