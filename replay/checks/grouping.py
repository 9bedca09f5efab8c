"""The same event on several joints: one group, one leader."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from replay.models.readings import Reading

if TYPE_CHECKING:
    from replay.checks.checking import JointEvent

PUSH_S = 8.0
"""A push at the tip is over sooner than this; a payload taken up stays."""

CURRENT_FAMILIES = {"shift", "change", "sample", "load", "offset", "holding", "pattern", "stop-go"}

TOGETHER_S = 2.0
"""Onsets this close, on different joints, are taken as one event."""


def group_events(found: list[JointEvent], readings: Sequence[Reading]) -> list[JointEvent]:
    """Mark events that began together, and make one of what is everywhere."""
    found = _recorder_wide(found, len(readings))
    order = sorted(range(len(found)), key=lambda k: found[k].event.start_s)
    cluster: list[int] = []
    for k in order:
        if cluster and found[k].event.start_s - found[cluster[-1]].event.start_s > TOGETHER_S:
            _settle([found[c] for c in cluster])
            cluster = []
        cluster.append(k)
    _settle([found[c] for c in cluster])
    return found


def _recorder_wide(found: list[JointEvent], joints: int) -> list[JointEvent]:
    """Silence on every joint is one gap of the recorder."""
    silent = [f for f in found if f.event.lead.mark is not None and f.event.lead.name == "silence"]
    kept = [f for f in found if f not in silent]
    while silent:
        first = silent[0]
        same = [
            f
            for f in silent
            if abs(f.event.start_s - first.event.start_s) < TOGETHER_S
            and abs(f.event.end_s - first.event.end_s) < TOGETHER_S
        ]
        silent = [f for f in silent if f not in same]
        if joints > 1 and len(same) >= max(2, joints - 1):
            best = max(same, key=lambda f: f.event.score)
            best.event.joint = ""
            kept.append(best)
        else:
            kept += same
    return kept


def _settle(cluster: list[JointEvent]) -> None:
    if len({c.event.joint for c in cluster}) < 2:
        return
    _pushed_together(cluster)
    behind = {c.event.joint for c in cluster if c.event.lead.family == "tracking"}
    pushed = any(c.verdict.kind == "stall" for c in cluster)
    for one in cluster:
        if (
            one.verdict.kind == "angle-sensor"
            and one.event.joint in behind
            and (pushed or len(behind) > 1)
        ):  # sensors do not fail together: the joints were held back
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "stall"
    leader = max(cluster, key=lambda c: c.event.score)
    text = f"{leader.reading.session}|{leader.event.joint}|{leader.event.start_s:.3f}"
    name = "G" + hashlib.sha256(text.encode()).hexdigest()[:8]
    for one in cluster:
        one.group = name


def _pushed_together(cluster: list[JointEvent]) -> None:
    """Call short surges of current on several joints at once a push at the tip.

    Sensors, gears and brakes of several joints do not fail in the same second.
    """
    short = [
        c
        for c in cluster
        if c.event.lead.family in CURRENT_FAMILIES and c.event.end_s - c.event.start_s <= PUSH_S
    ]
    if len({c.event.joint for c in short}) < 2:
        return
    for one in short:
        if one.verdict.kind != "stall":
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "stall"
            one.verdict.joints = tuple(sorted({c.event.joint for c in short}))
