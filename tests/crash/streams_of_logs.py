"""Logs to be ingested and killed, and what must be true afterwards."""

from __future__ import annotations

import json
from pathlib import Path

from replay.archive import open_archive, verify

LOGS = 3

MAP = """
[log]
joints = 2
[time]
column = "t"
format = "seconds"
start = "{start}"
[joint.angle]
column = "a{{n}}"
unit = "deg"
[joint.current]
column = "i{{n}}"
unit = "A"
"""


def write_logs(folder: Path, rows: int = 20_000) -> list[tuple[str, str]]:
    """Write logs and one map for each; return the pairs of paths."""
    pairs = []
    for number in range(LOGS):
        log = folder / f"log{number}.csv"
        lines = (
            f"{n / 100:.2f},{n * 0.003:.3f},{(n * 7 + number) % 13 * 0.1:.1f},"
            f"{n * 0.002:.3f},{n % 11 * 0.1:.1f}\n"
            for n in range(rows)
        )
        log.write_text("t,a1,i1,a2,i2\n" + "".join(lines))
        log_map = folder / f"log{number}.map.toml"
        log_map.write_text(MAP.format(start=f"2031-03-{number + 1:02d}T00:00:00Z"))
        pairs.append((str(log), str(log_map)))
    return pairs


def digests(root: Path) -> dict[str, str]:
    """Return, for each session of the catalogue, the digest of its samples."""
    archive = open_archive(root)
    return {
        name: json.loads((root / "samples" / name / "session.json").read_text())["files"][
            "main.parquet"
        ]["sha256"]
        for name in archive.sessions()["session"]
    }


def damages(root: Path) -> list[str]:
    """Return what `verify` calls damage."""
    return [f"{f.where}: {f.detail}" for f in verify(open_archive(root)) if f.weight == "damage"]


def ingest_all(root: str, pairs: list[tuple[str, str]]) -> None:
    """Ingest each log with its map."""
    from replay.cleaning import ingest

    archive = open_archive(root, create=True)
    for log, log_map in pairs:
        ingest(archive, [log], log_map=log_map)
