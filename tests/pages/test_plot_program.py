"""The plots' program: what the figures ask of it, it has; and it is of the installed release."""

from __future__ import annotations

import re
from pathlib import Path

import plotly.graph_objects as go
from playwright.sync_api import Route
from plotly.offline import get_plotlyjs_version

from dashboards.shell import ASSETS, PLOTS
from replay.archive import Archive
from tests.pages.test_event import SESSION, Open

HERE = Path(__file__).parents[2] / "dashboards"


def test_it_is_of_the_release_that_the_figures_are_made_for() -> None:
    program = (ASSETS / "vendored" / PLOTS).read_text("utf-8")
    head = re.search(r"plotly\.js \(basic.*\) v([\d.]+)", program[:400])
    assert head is not None
    assert head[1] == re.search(r"-(\d+(?:\.\d+)+)\.min\.js", PLOTS)[1] == get_plotlyjs_version()


def test_it_has_every_kind_of_trace_that_our_figures_have() -> None:
    program = (ASSETS / "vendored" / PLOTS).read_text("utf-8")
    kinds = {t.lower() for t in dir(go) if t[0].isupper()} - {"figure", "layout", "frame"}
    text = "\n".join(f.read_text("utf-8") for f in HERE.rglob("*.py"))
    used = {name.lower() for name in re.findall(r"\bgo\.(\w+)\(", text)} & kinds
    assert used == {k for k in used if f'name:"{k}"' in program}
    assert "scatter" in used
    assert 'name:"surface"' not in program  # else this would find everything


def test_where_it_did_not_arrive_the_next_plot_asks_again(visit: Open, heron: Archive) -> None:
    tab = visit(heron)
    lost: list[Route] = []

    def once(route: Route) -> None:
        lost.append(route)
        route.abort() if len(lost) == 1 else route.continue_()

    tab.page.route(f"**/{PLOTS}", once)
    tab.go(f"/event?session={SESSION}&flag=f-1")
    tab.page.wait_for_function("() => window.Plotly && !window.Plotly.newPlot")
    tab.page.evaluate("() => Promise.resolve(window.Plotly).catch(() => {})")
    tab.page.wait_for_function("() => window.Plotly.newPlot")
    assert len(lost) == 2
