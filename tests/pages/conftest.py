"""A real browser on a dashboard over a small archive of the invented arm."""

from __future__ import annotations

import json
import logging
import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import APIResponse, Browser, Page, Route, expect, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import create_app
from replay.archive import Archive, open_archive
from replay.checks import learn
from replay.demo import FaultWish
from replay.demo.sessions import SessionPlan, session_record, simulate_session
from replay.records import Session
from tests.built_once import built_once

# The shell has no window of its own, whose parts cost a third of a second of each new page.
CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium")
# What Playwright turns off (said again, as of two such lists the last one counts), and the parts
# of the browser's own window that are pages: none is seen, and each new window starts a process.
OWN_PARTS = [
    *("AvoidUnnecessaryBeforeUnloadCheckSync", "DestroyProfileOnBrowserClose", "HttpsUpgrades"),
    *("HttpsFirstBalancedModeAutoEnable", "LensOverlay", "MediaRouter", "PaintHolding"),
    *("ThirdPartyStoragePartitioning", "AvoidCorsURLLoaderRestartOnRedirect"),
    *("OptimizationHints", "NetworkTimeServiceQuerying", "AimEnabled", "PreconnectToSearch"),
    *("PreloadTopChromeWebUI", "WebUIOmniboxPopup", "WebUIOmniboxAimPopup", "InitialWebUI"),
    *("WebUIOmniboxFullPopup", "WebUIReloadButton"),
]
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-features=" + ",".join(OWN_PARTS),
]

expect.set_options(timeout=30_000)  # a busy machine is slow, and that is no fault of a page

STYLES = ("inspection", "joint test", "inspection")


@dataclass
class Visit:
    """One open tab, and what it asked of the server and said in its console."""

    page: Page
    base: str
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def go(self, path: str) -> Page:
        self.page.goto(self.base + path)
        return self.page


class Held:
    """Answers on their way to a page, until somebody lets them arrive, or they get lost.

    Held is what a page asks with all of ``words``, at most so often. Where answers are ``given``,
    the server has answered meanwhile.
    """

    def __init__(self, page: Page, *words: str, given: bool = False, most: int = 100) -> None:
        self.page, self.words, self.given, self.most = page, words, given, most
        self.routes: list[tuple[Route, APIResponse | None]] = []
        page.route("**/_dash-update-component*", self._take)

    def _take(self, route: Route) -> None:
        asked = route.request.post_data or ""
        if len(self.routes) < self.most and all(word in asked for word in self.words):
            self.routes.append((route, route.fetch() if self.given else None))
        else:
            route.continue_()

    def caught(self) -> list[tuple[Route, APIResponse | None]]:
        """Wait until something is held up; nothing more is from then on."""
        for _ in range(300):
            if self.routes:
                break
            self.page.wait_for_timeout(100)
        assert self.routes, f"nothing was asked with {self.words}"
        self.most = 0
        return self.routes

    def arrive(self) -> None:
        for route, answer in self.caught():
            route.fulfill(response=answer) if answer else route.continue_()

    def lose(self) -> None:
        for route, _ in self.caught():
            route.abort()


def flag_rows(session: str, start: datetime, unit: str) -> pl.DataFrame:
    """Three flags at known instants; their words hold a tag that must be shown, not obeyed."""
    plan = [
        ("f-1", "J3", "brake-drag", 40.0, 6.0, "act", 6.5),
        ("f-2", "J5", "stick-slip", 90.0, 10.0, "look", 4.2),
        ("f-3", "J2", "unusual", 150.0, 2.0, "note", 3.1),
    ]
    rows = [
        {
            "flag": flag,
            "session": session,
            "joint": joint,
            "unit": unit,
            "kind": kind,
            "start": start + timedelta(seconds=at),
            "end": start + timedelta(seconds=at + long),
            "score": score,
            "severity": severity,
            "summary": f"{joint} drew 0.4 A more than expected <b>for</b> {long:g} s.",
            "baseline": None,
            "group": None,
            "evidence": json.dumps({"extra_a": 0.4}),
        }
        for flag, joint, kind, at, long, severity, score in plan
    ]
    return pl.DataFrame(rows, schema_overrides={"baseline": pl.String, "group": pl.String})


def heron_session(
    archive: Archive,
    name: str,
    *,
    start: datetime,
    seed: int,
    minutes: float = 4.0,
    rate_hz: float = 20.0,
    style: str = "inspection",
    faults: Sequence[FaultWish] = (),
) -> Session:
    """Put a session of the invented arm into an archive; returns its record."""
    plan = SessionPlan(
        start=start, minutes=minutes, rate_hz=rate_hz, style=style, faults=tuple(faults)
    )
    frame, _ = simulate_session(plan, seed=seed)
    record = session_record(plan, frame, name=name)
    archive.add_session(record, {"main": frame})
    return record


def fill_heron(root: Path) -> None:
    """Three short sessions at 20 Hz, a baseline, three flags on the last one."""
    archive = open_archive(root, create=True)
    for day, style in enumerate(STYLES):
        start = datetime(2031, 3, 1 + day, 9, tzinfo=UTC)
        name = f"2031030{1 + day}-heron"
        record = heron_session(archive, name, start=start, seed=day, style=style)
    learn(archive)
    rows = flag_rows(record.session, record.start, record.units["J3"])
    archive.replace("flags", rows, session=[record.session])


@pytest.fixture(scope="session")
def heron(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """The archive that `fill_heron` makes."""
    return open_archive(built_once(tmp_path_factory, "heron", fill_heron))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine: apt-get install chromium-headless-shell")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def serve() -> Iterator[Callable[[Archive | Path], str]]:
    """Serve an archive on a free port; returns the address."""
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    servers = []
    known: dict[str, str] = {}

    def start(archive: Archive | Path) -> str:
        root = str(archive.root if isinstance(archive, Archive) else archive)
        if root not in known:
            server = make_server("127.0.0.1", 0, create_app(archive).server, threaded=True)
            threading.Thread(target=server.serve_forever, daemon=True).start()
            servers.append(server)
            known[root] = f"http://127.0.0.1:{server.server_port}"
        return known[root]

    yield start
    for server in servers:
        server.shutdown()


@contextmanager
def visits(
    browser: Browser, serve: Callable[[Archive | Path], str]
) -> Iterator[Callable[..., Visit]]:
    """Open tabs, and close them at the end."""
    contexts = []

    def start(
        archive: Archive | Path, *, width: int = 1280, height: int = 800, dark: bool = False
    ) -> Visit:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            accept_downloads=True,
        )
        contexts.append(context)
        tab = Visit(context.new_page(), serve(archive))
        tab.page.on("request", lambda r: tab.requests.append(r.url))
        tab.page.on("pageerror", lambda e: tab.errors.append(str(e)))
        # a browser hears of this by another way than of keys: asked for only when a button is
        # about to be pressed, it can come after the press, whose chooser then is nobody's
        tab.page.on("filechooser", lambda chooser: None)
        tab.page.on("console", lambda m: tab.errors.append(m.text) if m.type == "error" else None)
        return tab

    yield start
    for context in contexts:
        context.close()


@pytest.fixture
def visit(
    browser: Browser, serve: Callable[[Archive | Path], str]
) -> Iterator[Callable[..., Visit]]:
    """Open a tab on an archive's dashboard: ``visit(archive, width=1280, height=800)``."""
    with visits(browser, serve) as start:
        yield start


@pytest.fixture(scope="module")
def lasting_visit(
    browser: Browser, serve: Callable[[Archive | Path], str]
) -> Iterator[Callable[..., Visit]]:
    """Like `visit`, for a tab that a module's tests read one after the other."""
    with visits(browser, serve) as start:
        yield start
