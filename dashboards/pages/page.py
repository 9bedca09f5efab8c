"""What a page is to the frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from dash import Dash
from dash.development.base_component import Component

from dashboards.components.unknown_parameters import Words
from dashboards.jobs import Jobs
from dashboards.links import View
from replay.archive import Archive


@dataclass(frozen=True, slots=True)
class Desk:
    """What every page works with: the archive on show and the jobs.

    ``asking`` says who sent the request that is answered, by the sign-in;
    ``at_stop`` is run when the dashboard stops.
    """

    archive: Archive
    jobs: Jobs
    asking: Callable[[], str] = lambda: ""
    at_stop: list[Callable[[], None]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Page:
    """One page; its address is ``/<name>``.

    ``layout(desk, view)`` is called for each visit. ``register(app, desk)``
    adds callbacks (``@app.callback``) and routes (``@app.server.route``) and
    is called once per app. ``about`` is one sentence for the menu. ``words``
    are the page's own in an address, with the values they may have; any other
    is told above the page.
    """

    name: str
    title: str
    about: str
    layout: Callable[[Desk, View], Component]
    register: Callable[[Dash, Desk], None]
    words: Words = field(default_factory=dict)
