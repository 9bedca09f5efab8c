"""The one table of who may do what: every route and every callback has its line.

What has no line is refused, and a test walks the app for such. A callback is
named by its module and function, a route by its endpoint.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from replay.accounts import Role


@dataclass(frozen=True, slots=True)
class Rule:
    """The role that something needs; with ``by_part`` more where such a part set it off."""

    role: Role
    by_part: Mapping[str, Role] = field(default_factory=dict)

    def needed(self, changed: Iterable[str] = ()) -> Role:
        """Return the role that is needed when these parts changed."""
        more = (r for c in changed for part, r in self.by_part.items() if part in c)
        return max((self.role, *more))


READ, REVIEW = Rule(Role.READER), Rule(Role.REVIEWER)
MAINTAIN, ADMINISTER = Rule(Role.MAINTAINER), Rule(Role.ADMINISTRATOR)

OPEN = frozenset({"health", "sign-in", "sign-in-style"})
"""Endpoints that answer whoever asks."""

ROUTES: Mapping[str, Rule] = {
    "sign-out": READ,
    "metrics": ADMINISTER,
    "static": READ,
    "_dash_assets.static": READ,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": READ,
    "/_dash-layout": READ,
    "/_dash-dependencies": READ,
    "/_reload-hash": READ,
    "/_favicon.ico": READ,
    "/": READ,
    "/<path:path>": READ,
    "ours": READ,
    "plots": READ,
    "openapi": READ,
    "api-sessions": READ,
    "api-findings": READ,
    "api-verdicts": READ,
    "api-trends": READ,
    "api-session-findings": READ,
    "api-session-verdicts": READ,
    "api-samples": READ,
    "api-report": READ,
    "api-unit-report": READ,
    "api-summary-report": READ,
    "open_batch": MAINTAIN,
    "receive": MAINTAIN,
    "completeness_of": READ,
    "save_sessions": READ,
    "replay-window": READ,
    "replay-derived": READ,
    "replay-exact": READ,
    "replay-runs": READ,
    "replay-plane": READ,
    "replay-posture": READ,
    "replay-measure": READ,
    "replay-measure.csv": READ,
    "replay-measure.parquet": READ,
    "replay-span.csv": READ,
    "replay-span.parquet": READ,
    "save_table": READ,
    "save_span": READ,
    "save_trends": READ,
    "save_history": READ,
    "save_flags": READ,
    "save_bundle": READ,
    "save": READ,
    "save_baseline": READ,
    "draw": READ,
    "handbook_entries": READ,
    "news_since": READ,
}
"""By endpoint; ``/_dash-update-component`` has a line for each callback instead."""

UPDATE = "/_dash-update-component"

_JOBS = {"job-cancel": Role.MAINTAINER, "job-clear": Role.MAINTAINER}

_PINS = {"event-pin-add": Role.REVIEWER, "pin-withdraw": Role.REVIEWER}

CALLBACKS: Mapping[str, Rule] = {
    "dash.dash.update": READ,  # Dash's own pages, of which there are none
    "app.show_page": READ,
    "app.follow_jobs": Rule(Role.READER, _JOBS),
    "pages.queue.risk": READ,
    "pages.queue.act": REVIEW,
    "pages.library_pages.library_intake.show": MAINTAIN,
    "pages.library_pages.library_intake.check_taken": MAINTAIN,
    "pages.library_pages.library.show_proposals": MAINTAIN,
    "pages.library_pages.library.discard": MAINTAIN,
    "pages.library_pages.library.start_taking": MAINTAIN,
    "pages.library_pages.library.start_work": MAINTAIN,
    "pages.library_pages.library.refresh": READ,
    "pages.library_pages.library.tell": READ,
    "pages.session_pages.session_pins.pin": REVIEW,
    "pages.event_pages.event_callbacks.show_likes": READ,
    "pages.event_pages.event_callbacks.index": REVIEW,
    "pages.event_pages.event_callbacks.show_scores": READ,
    "pages.event_pages.event_callbacks.show_rebuilt": READ,
    "pages.event_pages.event_callbacks.show_others": READ,
    "pages.event_pages.event_callbacks.show_brakes": READ,
    "pages.event_pages.event_callbacks.show_sensors": READ,
    "pages.event_pages.event_everywhere.count": REVIEW,
    "pages.event_pages.event_everywhere.show_everywhere": READ,
    "pages.event_pages.event.redraw": READ,
    "pages.event_pages.event.pin": Rule(Role.READER, _PINS),
    "pages.wear_pages.wear.measure": MAINTAIN,
    "pages.wear_pages.wear.keep_note": MAINTAIN,
    "pages.wear_pages.wear.keep_limit": MAINTAIN,
    "pages.review.save": REVIEW,
    "pages.review.recount": READ,
    "pages.review.show_news": READ,
    "pages.queue_news.list_news": READ,
    "pages.queue_news.finding_news": READ,
    "pages.signoff.act": Rule(Role.REVIEWER, {"signoff-two": Role.ADMINISTRATOR}),
    "pages.compare.other_quantity": READ,
    "pages.compare.other_joint": READ,
    "pages.compare.other_pair": READ,
}
