"""The dashboard: `create_app(archive)` and how a page joins it.

**A page** is a module in `dashboards/pages` with ``PAGE = Page(name, title,
about, layout, register)``, listed in `PAGE_MODULES` below. Its address is
``/<name>``. ``layout(desk, view)`` returns the page for a `links.View` and is
called whenever someone arrives; ``register(app, desk)`` adds callbacks with
``@app.callback`` and data routes with ``@app.server.route`` (keep those under
``/data/<name>/``). Nothing happens on import, so a page can be imported, and
two apps made, in one process. ``desk`` has the archive and the jobs.

**Layers.** ``pages → components → figures`` and ``pages → queries → replay``.
Figures turn tables into drawings and know no Dash; only ``queries`` (one
module a subject) calls the engine's front doors; nothing else imports them.

**State in the address.** The frame renders a page when the address changes by
a link (`links.href`, `basics.go`) or the back button. While a page is used,
it writes its state silently from the browser with
``jointbook.address.write({session, at, from, to, joints, flag, ...})``: the
address changes, the page is not rendered again. From Python, a clientside
callback can do so. The menu carries session, window, cursor and joints along.

**Jobs.** ``desk.jobs.start(title, work)`` runs ``work(step)`` in the
background; call ``step(done, total, text)`` or hand ``step.wrap`` to the
engine as ``progress``. Then ``set_props(ids.JOBS_BEAT, {"disabled": False})``
so that the tray follows. Take ``Input(ids.JOBS_DONE, "data")`` to refresh.

**Messages.** An exception in a callback is shown in the notice area in words
(`JointbookError` in its own); say your own with
``set_props(ids.NOTICE, {"children": basics.message(...)})``.

**Look.** Colours are CSS variables named in `theme` (``var(--ink)``,
``var(--joint-0)``); a Plotly figure takes ``theme.plotly_layout()``. Classes
to build with: ``sheet`` (a block on the page), ``row``, ``stack``, ``tools``
(a line of buttons), ``caution``, ``message``, ``severity``, ``plain-table``.
Style sheets and scripts of a page: ``assets/<page>.css`` and ``.js``. A page's
shortcut keys go through ``jointbook.keys.add(page, {"n": function})`` and into
`components/keymap.py`. All scripts go out as one file, all style sheets as
another (`shell`), in the order of their names. The words of its own that a
page reads from the address stand in ``Page.words``; any other is told above
the page.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update, set_props
from dash.development.base_component import Component

from dashboards import ids, links, shell, wire
from dashboards.api import routes as api
from dashboards.components import basics
from dashboards.components.frame import frame, jobs_tray
from dashboards.components.terms import linked
from dashboards.components.typeset import set_in_type
from dashboards.components.unknown_parameters import unknown_parameters, unknown_parameters_note
from dashboards.failure_words import failure_text
from dashboards.gate import figures, guard, sign_in
from dashboards.gate.visitors import Sessions
from dashboards.jobs import Jobs
from dashboards.links import View
from dashboards.pages import news
from dashboards.pages.no_such_session import OF_A_SESSION, no_such_session
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue
from dashboards.shell import Shell
from replay.accounts import Users
from replay.archive import Archive, open_archive
from replay.errors import JointbookError

PAGE_MODULES = (
    "queue",
    "library_pages.library",
    "session_pages.session",
    "event_pages.event",
    "wear_pages.wear",
    "review",
    "signoff",
    "compare",
    "baseline",
    "handbook",
)
"""Modules of `dashboards.pages` in the menu's order; `session` is the replay."""

FIRST_SEEN = ("queue", "library", "replay")
"""Pages that people come to first; made once before anybody asks."""

_log = logging.getLogger(__name__)


def load_pages() -> list[Page]:
    """Return the pages that there are, in the menu's order."""
    names = [f"dashboards.pages.{m}" for m in PAGE_MODULES]
    return [importlib.import_module(n).PAGE for n in names]


def create_app(archive: Archive | str | Path, users: Users | None = None) -> Shell:
    """Return a Dash app that shows one archive.

    Parameters
    ----------
    archive : Archive or path
        An open archive, or the folder of one.
    users : Users, optional
        Who may sign in; without them whoever reaches the server may do all.

    Raises
    ------
    ArchiveError
        When there is no archive in the folder.
    """
    opened = archive if isinstance(archive, Archive) else open_archive(archive)
    desk = Desk(opened, Jobs(), guard.visitor_name)
    sessions = None if users is None else Sessions(users)
    pages = load_pages()
    app = Shell(
        "dashboards",
        include_assets_files=False,  # the shell sends them
        pages_folder="",
        title="jointbook",
        update_title="",
        suppress_callback_exceptions=True,
        include_pages_meta=False,
        on_error=_say_error,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.index_string = shell.index()
    shown = [(p.name, p.title, p.about) for p in pages]
    app.layout = lambda: frame(shown, _short_name(opened), guard.signed_in_as())
    figures.add_routes(app.server, opened, desk.jobs, sessions)
    guard.install(app, sessions)
    if sessions is not None:
        sign_in.add_routes(app.server, sessions)
    wire.prepare(app.server)
    shell.serve(app)
    _register_frame(app, desk, pages)
    api.add_routes(app.server, opened)
    news.add_routes(app, desk)

    def missing(name: str, session: str | None) -> bool:
        return name in OF_A_SESSION and catalogue.is_unknown(opened, session)

    shell.refuse_unknown(app, [p.name for p in pages], missing)
    for page in pages:
        page.register(app, desk)
    app.desk = desk
    app.warm_calls = [partial(p.layout, desk, View()) for p in pages if p.name in FIRST_SEEN]
    return app


def _register_frame(app: Dash, desk: Desk, pages: list[Page]) -> None:
    by_name = {p.name: p for p in pages}

    @app.callback(
        Output(ids.PAGE, "children"),
        Input(ids.URL, "pathname"),
        Input(ids.URL, "search"),
        prevent_initial_call=False,
    )
    def show_page(pathname: str | None, search: str | None) -> Component | list[Any]:
        name = urlsplit(pathname or "/").path.strip("/") or next(iter(by_name), "")
        page = by_name.get(name)
        if page is None:
            return basics.message(f"There is no page {name!r}.", "The menu lists the pages.")
        set_props(ids.NOTICE, {"children": None})
        view = links.read(search)
        note = unknown_parameters_note(unknown_parameters(view, page.words))
        made = told(lambda: no_such_session(desk, page, view) or page.layout(desk, view))
        shown = set_in_type(linked(made))
        return [note, shown] if note else shown

    @app.callback(
        Output(ids.JOBS_TRAY, "children"),
        Output(ids.JOBS_BEAT, "disabled"),
        Output(ids.JOBS_DONE, "data"),
        Input(ids.JOBS_BEAT, "n_intervals"),
        Input({"type": "job-cancel", "job": ALL}, "n_clicks"),
        Input({"type": "job-clear", "job": ALL}, "n_clicks"),
        State(ids.JOBS_DONE, "data"),
        prevent_initial_call=True,
    )
    def follow_jobs(beat: int, cancels: list[int], clears: list[int], done: list[str]) -> Any:
        who = ctx.triggered_id
        if isinstance(who, dict):
            if not any(t["value"] for t in ctx.triggered):
                return no_update, no_update, no_update
            if who["type"] == "job-cancel":
                desk.jobs.cancel(who["job"])
            else:
                desk.jobs.forget_ended()
        states = desk.jobs.states()
        ended = [s.job for s in states if s.state != "running"]
        running = len(ended) < len(states)
        return jobs_tray(states), not running, ended if ended != done else no_update


def told(make: Callable[[], Component]) -> Component:
    """Return what ``make`` returns, or its failure in words."""
    try:
        return make()
    except JointbookError as error:
        return basics.message(failure_text(error), kind="trouble")
    except Exception as error:
        _log.exception("a page could not be shown")
        return basics.message(
            f"This page could not be shown: {failure_text(error)}",
            "The details are in the program's log.",
            kind="trouble",
        )


def _say_error(error: Exception) -> None:
    if isinstance(error, JointbookError):
        text = failure_text(error)
    else:
        guard.refuse_values()
        _log.error("a callback failed", exc_info=error)
        text = f"That did not work: {failure_text(error)}"
    set_props(ids.NOTICE, {"children": html.Div(basics.message(text, kind="trouble"))})


def _short_name(archive: Archive) -> str:
    return Path(str(archive.root)).name or str(archive.root)
