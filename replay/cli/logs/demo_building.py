"""Build the demo's archive from its logs: ingest, learn, check, maintenance notes."""

from __future__ import annotations

import time
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.cli.output import Bar, progress
from replay.errors import BaselineError, UsageError
from replay.records import Refusal, Trend


@dataclass(frozen=True, slots=True)
class Summary:
    """What building the demo archive did."""

    sessions: int
    added: int
    refused: tuple[Refusal, ...]
    unexpected: tuple[Refusal, ...]
    baseline: str
    flags: pl.DataFrame
    trends: tuple[Trend, ...]
    seconds: float

    def as_json(self, archive: Archive) -> dict[str, Any]:
        """Return the summary as a document."""
        return {
            "archive": str(archive.root),
            "sessions": self.sessions,
            "added": self.added,
            "refused": self.refused,
            "baseline": self.baseline,
            "flags": self.flags.height,
            "trends": {
                result: sum(t.result == result for t in self.trends)
                for result in ("rising", "falling", "steady", "too-few")
            },
            "seconds": round(self.seconds, 1),
        }


def build(archive: Archive, logs: Path) -> Summary:
    """Bring a folder of demo logs into the archive, learn, check and trend."""
    from replay.checks import check_all, learn
    from replay.checks import flags as list_flags
    from replay.models import load_baseline
    from replay.signals.motion.motions import index_motions
    from replay.wear import indicators, trends

    began = time.monotonic()
    contents = tomllib.loads((logs / "contents.toml").read_text(encoding="utf-8"))
    added, refused = _ingest(archive, logs, contents)
    sessions = archive.sessions()
    if not sessions.height:
        raise UsageError("none of the logs could be taken", file=logs)
    _keep_maintenance(archive, contents)

    try:
        baseline = None if added else load_baseline(archive)
    except BaselineError:
        baseline = None
    if baseline is None:
        with Bar() as bar:
            baseline = learn(archive, progress=bar.show)
    names = sessions["session"].to_list()
    for _ in check_all(archive, progress(names, total=len(names), what="checking"), baseline):
        pass
    index_motions(archive, names)
    flags = list_flags(archive)
    indicators(archive, progress=lambda todo: progress(todo, what="measuring wear"))
    broken = set(contents.get("unreadable", ()))
    return Summary(
        sessions=sessions.height,
        added=added,
        refused=refused,
        unexpected=tuple(r for r in refused if Path(r.source).name not in broken),
        baseline=str(baseline.version),
        flags=flags,
        trends=tuple(trends(archive)),
        seconds=time.monotonic() - began,
    )


def _ingest(
    archive: Archive, logs: Path, contents: dict[str, Any]
) -> tuple[int, tuple[Refusal, ...]]:
    """Take the logs in; return how many sessions are new, and what was refused."""
    from replay.arm import load_arm
    from replay.cleaning import ingest
    from replay.logs import load_map

    added, refused = 0, list[Refusal]()
    for group in contents.get("logs", ()):
        with Bar() as bar:
            result = ingest(
                archive,
                [logs / name for name in group["files"]],
                log_map=load_map(logs / group["map"]),
                arm=load_arm(logs / group["arm"]),
                progress=bar.show,
            )
        added += len(result.sessions)
        refused += result.refused
    return added, tuple(refused)


def _keep_maintenance(archive: Archive, contents: dict[str, Any]) -> None:
    from replay.demo import heron
    from replay.wear import add_maintenance, maintenance

    known = maintenance(archive)
    for entry in contents.get("maintenance", ()):
        if known.height:
            same = known.filter(
                (pl.col("serial") == entry["serial"])
                & (pl.col("what") == entry["what"])
                & (pl.col("date").dt.date() == entry["date"])
            )
            if same.height:
                continue
        add_maintenance(
            archive,
            entry["serial"],
            entry["date"],
            entry["what"],
            entry.get("detail", ""),
            arm=heron.NAME,
        )
