"""Which sessions there are, and what the replay needs to know of one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import orjson
import polars as pl

from dashboards import theme
from dashboards.links import to_ns
from replay.archive import Archive
from replay.archive.completeness import per_cent
from replay.arm import load_arm
from replay.arm.description import Arm
from replay.errors import JointbookError
from replay.records import Session
from replay.reviews.judgements.cautions import caution_of_flag
from replay.units import JOINT_QUANTITIES, channel
from replay.wording import number


@dataclass(frozen=True, slots=True)
class Outline:
    """One session as the replay draws it. Times are seconds since its start."""

    session: str
    zero_ns: int
    length_s: float
    record: Session
    arm: Arm | None
    joints: tuple[dict[str, Any], ...]
    logged: frozenset[str]

    def has(self, joint: str, quantity: str) -> bool:
        """Tell whether a joint's quantity was logged."""
        return channel(joint, quantity) in self.logged


MANY = 100_000
"""Beyond so many sessions nothing on the replay reads the whole catalogue."""


def listing(archive: Archive, *, near: str | None = None, limit: int = 300) -> pl.DataFrame:
    """Return the newest sessions, newest first, or those before and after ``near``."""
    if near is None or not archive.has_session(near):
        return archive.newest(limit)
    start = archive.session(near).start
    older = archive.newest(limit, until=start)
    younger = archive.next_after(start, limit)
    frame = pl.concat([older, younger]).unique("session").sort("start", "session", descending=True)
    at = frame.with_row_index().filter(pl.col("session") == near)
    first = max(0, at["index"][0] - limit // 2) if at.height else 0
    return frame.slice(max(0, min(first, frame.height - limit)), limit)


def months(archive: Archive) -> list[tuple[str, str, int]]:
    """Return (month, its newest session, how many it has), newest month first.

    None where there are more than `MANY` sessions: each month would open a part of its own.
    """
    if archive.count() > MANY:
        return []
    frame = archive.sessions()
    if not frame.height:
        return []
    found = (
        frame.sort("start", descending=True)
        .group_by(pl.col("start").dt.strftime("%Y-%m").alias("month"), maintain_order=True)
        .agg(pl.col("session").first(), pl.len().alias("sessions"))
    )
    return [(str(m), str(s), int(n)) for m, s, n in found.iter_rows()]


def outline(archive: Archive, session: str) -> Outline:
    """Return a session's outline; ArchiveError when there is no such session.

    A stored session never changes, so its outline is kept.
    """
    return _outline(archive, session)


@lru_cache(maxsize=64)
def _outline(archive: Archive, session: str) -> Outline:
    record = archive.session(session)
    arm = arm_of(record)
    joints = tuple(_joint(record, arm, i, name) for i, name in enumerate(record.joints))
    zero = to_ns(record.start)
    logged = frozenset(name for names in record.channels.values() for name in names)
    length = max((to_ns(record.end) - zero) / 1e9, 1e-3)
    return Outline(session, zero, length, record, arm, joints, logged)


def arm_of(record: Session) -> Arm | None:
    """Return the arm that the session was taken in with, or None."""
    if not record.arm_toml:
        return None
    try:
        return load_arm(record.arm_toml)
    except JointbookError:
        return None


def _joint(record: Session, arm: Arm | None, index: int, name: str) -> dict[str, Any]:
    described = next((j for j in arm.joints if j.name == name), None) if arm else None
    role = ""
    if described is not None:
        by_end = {"A": described.role_base_a, "B": described.role_base_b}
        role = by_end.get(record.base_end or "A") or ""
    return {
        "name": name,
        "unit": record.units.get(name) or "",
        "role": role,
        "mark": theme.joint_mark(index),
        "angle_range": list(described.angle_range_deg or ()) if described else [],
        "rate_limit": described.rate_limit_deg_s if described else None,
        "current_limit": described.current_limit_a if described else None,
        "has": [q for q in JOINT_QUANTITIES if _logged(record, channel(name, q))],
    }


def _logged(record: Session, name: str) -> bool:
    return any(name in names for names in record.channels.values())


def flags_of(archive: Archive, session: str) -> list[dict[str, Any]]:
    """Return a session's flags in time order, instants in ns since 1970."""
    frame = archive.table("flags")
    if not frame.height:
        return []
    rows = frame.filter(pl.col("session") == session).sort("start", "joint").to_dicts()
    for row in rows:
        row["start_ns"], row["end_ns"] = to_ns(row.pop("start")), to_ns(row.pop("end"))
        evidence = row.get("evidence")
        row["evidence"] = orjson.loads(evidence) if isinstance(evidence, str) else evidence
    return rows


def caution_of(flag: dict[str, Any]) -> str:
    """Return what is said beside a flag; the operator's own rules decide."""
    return caution_of_flag(flag["kind"], flag["evidence"])


def facts(found: Outline, complete: str = "") -> list[tuple[str, str]]:
    """Return the session's facts for a headline: (name, value).

    ``complete`` says how complete the log is (`queries.session.completeness.words`).
    """
    r = found.record
    minutes = found.length_s / 60
    length = f"{minutes:.1f} min" if minutes < 90 else f"{minutes / 60:.2f} h"
    lines = [("arm", r.arm), ("length", length)]
    if r.rate_hz:
        lines.append(("samples", f"{number(r.rate_hz)} a second"))
    if r.completeness is not None:
        lines.append(("complete", complete or per_cent(r.completeness, 1)))
    quick = [n.count for n in r.quality if n.kind == "second-recorder"]
    if quick:
        many = sum(quick)
        lines.append(("second recorder", f"{many} stretch" + "es" * (many != 1)))
    if r.base_end:
        lines.append(("base", f"end {r.base_end}"))
    if r.payload_kg is not None:
        lines.append(("payload", f"{r.payload_kg:g} kg"))
    if r.person_on_tip:
        lines.append(("tip", "a person on it"))
    return lines
