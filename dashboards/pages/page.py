"""What a page is to the frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dash import Dash
from dash.development.base_component import Component

from dashboards.jobs import Jobs
from dashboards.links import View
from replay.archive import Archive


@dataclass(frozen=True, slots=True)
class Desk:
    """What every page works with: the archive on show and the jobs."""

    archive: Archive
    jobs: Jobs


@dataclass(frozen=True, slots=True)
class Page:
    """One page; its address is ``/<name>``.

    ``layout(desk, view)`` is called for each visit. ``register(app, desk)``
    adds callbacks (``@app.callback``) and routes (``@app.server.route``) and
    is called once per app. ``about`` is one sentence for the menu.
    """

    name: str
    title: str
    about: str
    layout: Callable[[Desk, View], Component]
    register: Callable[[Dash, Desk], None]
