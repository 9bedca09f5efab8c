"""jointbook's engine: logs in, flags, margins and trends out.

::

    import replay

    archive = replay.open_archive("archive", create=True)
    replay.ingest(archive, ["logs/"], log_map=replay.load_map("my.map.toml"))
    baseline = replay.learn(archive)
    for session in archive.sessions()["session"]:
        result = replay.check(archive, session, baseline)

The names below are the whole public interface; each is loaded when it is first
used, so that a command that needs no model pays for none. Frames are polars,
times are UTC, units are in the columns' names (`replay.units`).
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from replay.archive import Archive, open_archive
    from replay.arm import Arm, load_arm, poses, switched_off
    from replay.checks import CheckResult, check, flags, learn
    from replay.cleaning import IngestResult, ingest
    from replay.errors import JointbookError
    from replay.logs import LogMap, load_map, propose_map
    from replay.models import Baseline, load_baseline
    from replay.models.outliers import CurrentOutlier
    from replay.models.table_outliers import TableOutliers, table_outliers
    from replay.records import Flag, QualityNote, Refusal, Session, Trend
    from replay.reports import make_bundle, session_report, verify_bundle
    from replay.reviews import add_pin, give_verdict, pins, verdicts
    from replay.signals import joint_table, joint_tables
    from replay.wear import add_maintenance, indicators, trends

__all__ = [
    "Archive",
    "Arm",
    "Baseline",
    "CheckResult",
    "CurrentOutlier",
    "Flag",
    "IngestResult",
    "JointbookError",
    "LogMap",
    "QualityNote",
    "Refusal",
    "Session",
    "TableOutliers",
    "Trend",
    "add_maintenance",
    "add_pin",
    "check",
    "check_all",
    "flags",
    "give_verdict",
    "indicators",
    "ingest",
    "joint_table",
    "joint_tables",
    "learn",
    "load_arm",
    "load_baseline",
    "load_map",
    "make_bundle",
    "open_archive",
    "pins",
    "poses",
    "propose_map",
    "session_report",
    "switched_off",
    "table_outliers",
    "trends",
    "verdicts",
    "verify_bundle",
]

_ROOM_OF = {
    **dict.fromkeys(("Archive", "open_archive"), "archive"),
    **dict.fromkeys(("Arm", "load_arm", "poses", "switched_off"), "arm"),
    **dict.fromkeys(("CheckResult", "check", "check_all", "flags", "learn"), "checks"),
    **dict.fromkeys(("IngestResult", "ingest"), "cleaning"),
    **dict.fromkeys(("JointbookError",), "errors"),
    **dict.fromkeys(("LogMap", "load_map", "propose_map"), "logs"),
    **dict.fromkeys(("Baseline", "load_baseline"), "models"),
    **dict.fromkeys(("CurrentOutlier",), "models.outliers"),
    **dict.fromkeys(("TableOutliers", "table_outliers"), "models.table_outliers"),
    **dict.fromkeys(("Flag", "QualityNote", "Refusal", "Session", "Trend"), "records"),
    **dict.fromkeys(("add_pin", "give_verdict", "pins", "verdicts"), "reviews"),
    **dict.fromkeys(("make_bundle", "session_report", "verify_bundle"), "reports"),
    **dict.fromkeys(("joint_table", "joint_tables"), "signals"),
    **dict.fromkeys(("add_maintenance", "indicators", "trends"), "wear"),
}


def __getattr__(name: str) -> Any:
    if name in _ROOM_OF:
        return getattr(importlib.import_module(f"replay.{_ROOM_OF[name]}"), name)
    raise AttributeError(f"module 'replay' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
