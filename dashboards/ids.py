"""Ids that more than one module uses. A page's own ids start with its name."""

from __future__ import annotations

URL = "url"
PAGE = "page"
NOTICE = "notice"
"""An area for one message in words: `set_props(NOTICE, {"children": ...})`."""

NEWS = "news"
"""Where it is told what others put on record meanwhile."""

JOBS_BEAT = "jobs-beat"
"""A `dcc.Interval` that runs only while there are jobs. Whoever starts a job
sets its ``disabled`` to False."""
JOBS_TRAY = "jobs-tray"
JOBS_DONE = "jobs-done"
"""A store: ids of the jobs that ended. An input for pages that should refresh."""

REPLAY_CONFIG = "replay-config"
REPLAY_VIEW = "replay-view"
"""A store the browser writes at 5 Hz at most: session, at, from, to, joints."""
REPLAY_PINS = "replay-pins"
"""A store: the pins of the session, as the browser draws them."""
REPLAY_STAGE = "replay-stage"
