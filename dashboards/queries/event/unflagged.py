"""Why a joint with a larger residual stands unflagged beside the one that is flagged."""

from __future__ import annotations

import polars as pl

from dashboards.queries.event.events import Event, during
from replay.archive import Archive

NO_CURRENT = ("brake-slip", "late-release", "angle-sensor", "gap")
"""Kinds that are told from other channels than the current."""


def larger_unflagged(archive: Archive, event: Event, rows: pl.DataFrame) -> list[str]:
    """Return a sentence for each unflagged joint whose largest residual is above the event's.

    ``rows`` are the rows of `queries.event.events.neighbours`. Where the event's joint has no
    residual, as in a gap of its current, there is nothing to compare with.
    """
    inside = during(rows, event)
    if not inside.height:
        return []
    size = pl.col("residual").abs()
    found = {
        r["joint"]: r
        for r in inside.group_by("joint", maintain_order=True)
        .agg(
            size.max().alias("most"),
            pl.col("residual").mean().alias("mean"),
            (size > size.max() / 2).mean().alias("share"),
        )
        .iter_rows(named=True)
    }
    own = found.get(event.joint)
    if own is None or own["most"] is None:
        return []
    flagged = _flagged(archive, event)
    sentences = []
    for joint, other in found.items():
        if joint == event.joint or joint in flagged or other["most"] is None:
            continue
        if other["most"] > own["most"]:
            sentences.append(_sentence(event, joint, own, other))
    return sentences


def _flagged(archive: Archive, event: Event) -> set[str]:
    flags = archive.table("flags")
    if not flags.height:
        return set()
    near = flags.filter(
        (pl.col("session") == event.record.session)
        & (pl.col("start") <= event.end)
        & (pl.col("end") >= event.start)
    )
    return set(near["joint"])


def _sentence(event: Event, joint: str, own: dict[str, float], other: dict[str, float]) -> str:
    text = (
        f"{joint}'s largest residual ({other['most']:.1f} spreads) is above {event.joint}'s "
        f"({own['most']:.1f}) and is not flagged: "
    )
    lasting = max(other["share"] * event.seconds, 0.0)
    if event.kind in NO_CURRENT:
        return text + (
            f"{event.joint} is flagged for its {_channel(event.kind)}, not for its current; "
            f"{joint}'s mean over the event is {other['mean']:+.1f} spreads."
        )
    return text + (
        f"what is judged is how long and in what form it departs, not one sample. {joint} is "
        f"above half its peak for {lasting:.1f} s and {other['mean']:+.1f} spreads in the mean, "
        f"{event.joint} {own['mean']:+.1f}."
    )


def _channel(kind: str) -> str:
    return {"late-release": "brake words", "gap": "missing samples"}.get(kind, "angle")
