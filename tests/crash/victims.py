"""Processes to be killed, forked from one that has imported all they need but run nothing.

Run as a script: each line on standard input is a job, each line on standard
output how it ended: its exit code, or minus the signal.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl

import replay.cli
from replay.archive import Archive, open_archive


class Victims:
    """The process that forks them; use as a context manager."""

    def __enter__(self) -> Victims:
        self._parent = subprocess.Popen(
            [sys.executable, "-m", "tests.crash.victims"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        return self

    def __exit__(self, *_: object) -> None:
        assert self._parent.stdin is not None
        self._parent.stdin.close()
        self._parent.wait(60)

    def run(self, **job: Any) -> int:
        """Run a job; ``after_s`` kills it then, ``at_step`` at its n-th event."""
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        self._parent.stdin.write(json.dumps(job) + "\n")
        self._parent.stdin.flush()
        return int(self._parent.stdout.readline())


def _ingest(job: dict[str, Any]) -> None:
    from tests.crash.streams_of_logs import ingest_all

    ingest_all(job["root"], [tuple(p) for p in job["pairs"]])


def _care(job: dict[str, Any]) -> None:
    from tests.crash.care import run_and_stop

    run_and_stop(job)


def _kill_at(at: int | None) -> list[str]:
    """Watch what is done to the disk; at the ``at``-th event this process kills itself."""
    seen: list[str] = []

    def watch(event: str, args: tuple[Any, ...]) -> None:
        writes = event == "open" and isinstance(args[2], int) and args[2] & 3
        names = ("os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.link")
        if writes or event in names:
            seen.append(event)
            if len(seen) == at:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(watch)
    return seen


def _part(job: dict[str, Any]) -> None:
    """Commit a row to a catalogue that makes parts at each commit, or mend the catalogue."""
    from tests.archive.test_parts import row

    new = row(100)
    _change(job, "sessions", 5, lambda a: a.replace("sessions", new, session=[new["session"][0]]))


def _unit_part(job: dict[str, Any]) -> None:
    """Add to or measure again in a table in the order of units, or bring one of before in order."""
    from tests.archive.test_unit_parts import name_of, rows, units_of

    def put(archive: Archive) -> None:
        n = job["number"]
        archive.replace("indicators", rows(n, 2.0), session=[name_of(n)], units=units_of(n))

    _change(job, "indicators", 60, put)


def _summary(job: dict[str, Any]) -> None:
    """Measure a session again, then renew what is kept in short of the table and its units."""
    from replay.archive import rolls
    from replay.wear import trends
    from tests.crash.summaries import measured

    rolls.RENEW = 1
    archive = open_archive(job["root"])
    seen = _kill_at(job.get("at_step"))
    rows = measured(job["number"], 2.0)
    archive.replace("indicators", rows, session=rows["session"].unique())
    archive.roll("indicators")
    trends(archive)
    if "count" in job:
        Path(job["count"]).write_text(str(len(seen)))


def _change(
    job: dict[str, Any], table: str, part_rows: int, put: Callable[[Archive], None]
) -> None:
    """Put rows into a table of small parts, compact or repair it; count the steps, or be killed."""
    from replay.archive import repair
    from replay.archive.tables import parts, tables

    parts.PART_ROWS, parts.DEEPEST, tables.TIDY_EVERY = part_rows, 2, 1
    seen = _kill_at(job.get("at_step"))
    archive = open_archive(job["root"])
    if job["act"] == "repair":
        repair(archive)
    elif job["act"] == "compact":
        archive.tables.tidy(table, keep_hours=0, drop=True)
    else:
        put(archive)
    if "count" in job:
        Path(job["count"]).write_text(str(len(seen)))


def _add(job: dict[str, Any]) -> None:
    from replay.archive.samples import overview
    from replay.digests import file_digest
    from tests.archive.streams import record, stream

    log = Path(job["log"])
    overview.WORTH_ROWS = overview.PIECE_ROWS = 4096  # so that few rows have overviews
    frame = stream(6000)
    given = record("s1", frame, raw_sha256=file_digest(log))
    seen = _kill_at(job.get("at_step"))
    archive = open_archive(job["root"], create=True)
    archive.add_session(given, {"main": frame}, raw=log)
    if "count" in job:
        Path(job["count"]).write_text(str(len(seen)))


def _decide(job: dict[str, Any]) -> None:
    """Put entries on record one by one; a line is written once each is acknowledged."""
    from replay.record import Draft, open_record

    record = open_record(open_archive(job["root"]))
    with open(job["said"], "a") as said:
        for n in range(job["first"], job["first"] + 400):
            made = record.append([Draft("pin", f"p{n}", "pinned", "R. Moss", after={"n": n})])
            said.write(f"{made[0].seq} {n}\n")
            said.flush()


def _share(job: dict[str, Any]) -> None:
    """Use an archive as another user of its group; write down what came of it."""
    from replay.errors import ArchiveError
    from tests.archive.test_never_lie import answers

    os.setgroups([])
    os.setgid(job["gid"])
    os.setuid(job["uid"])
    os.umask(job["umask"])
    root = Path(job["root"])
    found = answers(root)
    said = {n: repr(a) for n, a in found.items()}
    try:
        open_archive(root).append("notes", pl.DataFrame({"session": ["s1"], "text": ["theirs"]}))
    except ArchiveError as error:
        said["wrote"] = str(error)
    else:
        said["wrote"] = "yes"
    Path(job["said"]).write_text(json.dumps(said))


JOBS = {
    "unit part": _unit_part,
    "summary": _summary,
    "ingest": _ingest,
    "add": _add,
    "part": _part,
    "decide": _decide,
    "care": _care,
    "share": _share,
}


ALWAYS = ("alembic.command", "deltalake", "pyarrow.parquet", "replay.cleaning",
          "replay.record.record", "tests.archive.streams")  # fmt: skip
NEEDED = {
    "ingest": ("tests.crash.streams_of_logs",),
    "part": ("tests.archive.test_parts",),
    "summary": ("replay.wear.assessment.trends", "tests.crash.summaries"),
    "care": ("tests.crash.care",),
}
"""A command's own modules are needed too: importing takes longer than what is to be stopped."""


def _import(what: str) -> None:
    for name in (*ALWAYS, *NEEDED.get(what, ())):
        importlib.import_module(name)
    if what == "care":
        for module in pkgutil.walk_packages(replay.cli.__path__, "replay.cli."):
            importlib.import_module(module.name)


def _serve() -> None:
    for line in sys.stdin:
        job = json.loads(line)
        _import(job["what"])
        child = os.fork()
        if child == 0:
            code = 1
            try:
                JOBS[job["what"]](job)
                code = 0
            finally:
                os._exit(code)
        if "after_s" in job:
            time.sleep(job["after_s"])
            os.kill(child, signal.SIGKILL)
        status = os.waitpid(child, 0)[1]
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    _serve()
