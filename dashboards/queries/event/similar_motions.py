"""The nearest similar motions of an event, with their traces."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from dashboards.failure_words import failure_text
from dashboards.queries.event.events import GAP, Event, downsampled
from replay.archive import Archive
from replay.errors import JointbookError
from replay.signals.joints import joint_table
from replay.signals.motion.motions import MOTIONS_SCHEMA, indexed_sessions, known_motions
from replay.signals.motion.similar import onset, overlay, similar_motions

LONGEST_S = 120.0
"""Traces are drawn this far past their onset."""

STILL = ("brake-slip", "late-release")
"""Kinds that are asked of a joint at rest."""

WORDS = {
    "speed_deg_s": "speed",
    "load_nm": "load",
    "temperature_c": "temperature",
    "angle_deg": "posture",
    "payload_kg": "payload",
    "duration_s": "duration",
}


ALIKE = 3.0
"""A motion further away than so many usual spreads, on average over what is compared, is not
alike: it says nothing of what this one should have taken (common practice, no source)."""


def apart_words(found: Likes, serial: str) -> str:
    """Say plainly that none of the motions is alike, or how many of those listed are not."""
    far = found.motions.filter(pl.col("distance") > ALIKE)
    if not far.height:
        return ""
    limit = f"further than {ALIKE:g} usual spreads from this motion"
    if far.height < found.motions.height:
        return f"{far.height} of the {found.motions.height} listed are {limit} and are not drawn."
    near = far.row(0, named=True)
    own = found.own
    why = ""
    if near["payload_kg"] is not None and own["payload_kg"] is not None:
        why = f", with {near['payload_kg']:.0f} kg against {own['payload_kg']:.0f} kg here"
    return (
        f"None is alike: the nearest motion of unit {serial} is {near['distance']:.0f} usual "
        f"spreads away{why}. What is more than {ALIKE:g} away does not tell what this motion "
        "should take; none is drawn."
    )


@dataclass(frozen=True, slots=True)
class Likes:
    """Motions like the one of an event; row 0 of ``traces`` is the event's own.

    ``motions`` are the nearest, alike or not; traces and labels are of those within `ALIKE`.

    ``marked`` is the event's span in seconds after its motion's onset.
    ``waiting`` counts the sessions whose motions are not indexed yet.
    """

    motions: pl.DataFrame
    traces: pl.DataFrame
    labels: tuple[str, ...]
    compared: tuple[str, ...]
    searched: int
    sessions: int
    waiting: int
    marked: tuple[float, float]
    own: dict[str, object]


UNSEEN = (
    "No motion can be chosen: similar ones are sought by what angle and motor current show, and "
    "of this gap's time too little of {joint}'s was recorded. What the log has is drawn in "
    "“Before, during, after”."
)
SEEN_SHARE = 0.5
"""A gap over so much of which the joint's motion is known has motions like it."""


def _unseen(archive: Archive, event: Event) -> bool:
    """Tell whether a gap took the motion itself: what is left of it beside the gap is like none."""
    if event.kind != GAP:
        return False
    start, end = pl.lit(event.start), pl.lit(event.end)
    own = known_motions(archive, event.record.session, event.joint)
    known = own.filter(pl.col("speed_deg_s").is_not_null()).select(
        (pl.min_horizontal("end", end) - pl.max_horizontal("start", start))
        .dt.total_microseconds()
        .clip(lower_bound=0)
        .sum()
    )
    return float(known.item()) < SEEN_SHARE * 1e6 * event.seconds


def likes_of(archive: Archive, event: Event, k: int) -> Likes | str:
    """Return the ``k`` nearest similar motions, or why there are none."""
    try:
        if _unseen(archive, event):
            return UNSEEN.format(joint=event.joint)
        found = similar_motions(
            archive,
            event.record.session,
            event.joint,
            event.start,
            event.end,
            k,
            still=event.kind in STILL,
        )
    except JointbookError as error:
        return failure_text(error)
    own = pl.DataFrame([found.of], schema=MOTIONS_SCHEMA)
    alike = found.motions.filter(pl.col("distance") <= ALIKE)
    shown = pl.concat([own, alike.select(list(MOTIONS_SCHEMA))])
    length = max(
        (event.end - own["start"][0]).total_seconds() + 2.0, float(own["duration_s"][0] or 0) + 1.0
    )
    traces = _to_their_ends(
        overlay(archive, shown, before_s=1.0, after_s=min(length, LONGEST_S)), shown
    )
    parts = [
        downsampled(part, ("current_a", "rate_deg_s"), 1200)
        for part in traces.partition_by("row", maintain_order=True)
    ]
    zero = _zero(archive, event, found.of)
    total = archive.count()
    return Likes(
        motions=_beside_flags(archive, found.motions),
        traces=pl.concat(parts) if parts else traces,
        labels=("this motion", *(_label(m) for m in alike.iter_rows(named=True))),
        compared=tuple(WORDS[c] for c in found.compared),
        searched=found.searched,
        sessions=found.sessions,
        waiting=max(0, total - len(indexed_sessions(archive))),
        marked=((event.start - zero).total_seconds(), (event.end - zero).total_seconds()),
        own=found.of,
    )


AFTER_END_S = 0.5
"""What follows a motion is another one: so much of it is drawn."""


def _to_their_ends(traces: pl.DataFrame, shown: pl.DataFrame) -> pl.DataFrame:
    """Return the traces of other motions as far as each lasts; the event's own (row 0) whole."""
    lasts = shown.select(
        pl.int_range(pl.len()).cast(traces.schema["row"]).alias("row"),
        pl.col("duration_s").alias("lasts_s"),
    )
    with_end = traces.join(lasts, on="row", how="left", maintain_order="left")
    known = pl.col("lasts_s").is_not_null() & (pl.col("row") > 0)
    over = known & (pl.col("since_s") > pl.col("lasts_s") + AFTER_END_S)
    return with_end.filter(~over).drop("lasts_s")


def _zero(archive: Archive, event: Event, motion: dict[str, Any]) -> datetime:
    start: datetime = motion["start"]
    end: datetime = motion["end"]
    pad = timedelta(seconds=1.5)
    table = joint_table(
        archive, event.record.session, event.joint, start=start - pad, end=end + pad
    )
    return onset(table, start, end, moving=motion["motion"] == "moving")


def _label(motion: dict[str, object]) -> str:
    return f"{motion['start']:%Y-%m-%d %H:%M:%S}"


def _beside_flags(archive: Archive, motions: pl.DataFrame) -> pl.DataFrame:
    """Say which of the motions were flagged themselves: they do not tell what is usual."""
    flags = archive.table("flags")
    if not flags.height or not motions.height:
        return motions.with_columns(flagged=pl.lit(False))
    spans = flags.select("session", "joint", pl.col("start").alias("f0"), pl.col("end").alias("f1"))
    hit = (
        motions.select("session", "joint", "number", "start", "end")
        .join(spans, on=["session", "joint"])
        .filter((pl.col("f0") <= pl.col("end")) & (pl.col("f1") >= pl.col("start")))
        .select("session", "joint", "number")
        .unique()
        .with_columns(flagged=pl.lit(True))
    )
    return (
        motions.join(hit, on=["session", "joint", "number"], how="left")
        .with_columns(pl.col("flagged").fill_null(False))
        .sort("distance")
    )
