"""Whether the server is well, and its figures: `/health` and `/metrics`.

The metrics have the text form of the OpenMetrics specification (1.0).
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from flask import Flask, Response, g, request

from dashboards.gate.visitors import Sessions
from dashboards.jobs import Jobs
from replay.archive import Archive
from replay.errors import JointbookError


def add_routes(server: Flask, archive: Archive, jobs: Jobs, sessions: Sessions | None) -> None:
    """Count every answer, and serve the two addresses."""
    lock = threading.Lock()
    answers: Counter[str] = Counter()
    spent = [0.0]

    @server.before_request
    def begin() -> None:
        g.began = time.perf_counter()

    @server.after_request
    def count(answer: Response) -> Response:
        took = time.perf_counter() - getattr(g, "began", time.perf_counter())
        with lock:
            answers[f"{answer.status_code // 100}xx"] += 1
            spent[0] += took
        return answer

    @server.route("/health", endpoint="health")
    def health() -> tuple[dict[str, Any], int]:
        try:
            archive.tables.version("sessions")
        except JointbookError:
            return {"status": "the archive cannot be read"}, 503
        return {"status": "ok"}, 200

    @server.route("/metrics", endpoint="metrics")
    def metrics() -> Response:
        running = sum(s.state == "running" for s in jobs.states())
        with lock:
            lines = [
                "# TYPE jointbook_answers counter",
                *(f'jointbook_answers_total{{status="{k}"}} {n}' for k, n in answers.items()),
                "# TYPE jointbook_answer_seconds summary",
                f"jointbook_answer_seconds_count {sum(answers.values())}",
                f"jointbook_answer_seconds_sum {spent[0]:.6f}",
                "# TYPE jointbook_jobs_running gauge",
                f"jointbook_jobs_running {running}",
                "# TYPE jointbook_signed_in gauge",
                f"jointbook_signed_in {0 if sessions is None else len(sessions)}",
            ]
        if (held := resident_bytes()) is not None:
            lines += ["# TYPE process_resident_memory_bytes gauge"]
            lines += [f"process_resident_memory_bytes {held}"]
        text = "\n".join([*lines, "# EOF", ""])
        return Response(text, content_type="application/openmetrics-text; version=1.0.0")


def resident_bytes() -> int | None:
    """Return the memory that this process holds; None where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * 4096


def request_line(answer: Response) -> dict[str, Any]:
    """Return what a log says of one request; no query, since it may hold names."""
    visitor = getattr(g, "visitor", None)
    took = time.perf_counter() - getattr(g, "began", time.perf_counter())
    return {
        "who": getattr(visitor, "name", "") if getattr(visitor, "signed_in", False) else "",
        "from": request.remote_addr,
        "method": request.method,
        "path": request.path,
        "status": answer.status_code,
        "ms": round(1e3 * took, 1),
    }
