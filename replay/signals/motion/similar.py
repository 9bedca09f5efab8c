"""The past motions most like one in question, and their traces laid over it.

Alike means: the same unit, the same kind of stretch and the same direction,
and close in speed, load, temperature, posture, payload and duration. Each
difference is counted in a unit's own usual spread of that quantity, so that
no one quantity rules because its numbers are large; what either motion did
not log is left out for that pair, and `Similar.compared` says what was used.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.signals.joints import joint_table
from replay.signals.motion.motions import known_motions, motion_at, unit_motions
from replay.statistics.spread import MAD_TO_SD

FEATURES: dict[str, float] = {
    "speed_deg_s": 0.05,
    "load_nm": 5.0,
    "temperature_c": 1.0,
    "angle_deg": 5.0,
    "payload_kg": 10.0,
    "duration_s": 0.5,
}
"""What is compared, and the smallest difference of each that counts as one
unit of distance (below it two motions are the same for a reader's eye)."""

ONSET_SHARE = 0.1
"""A motion sets in where the rate first passes this share of its peak."""


@dataclass(frozen=True, slots=True)
class Similar:
    """The answer of `similar_motions`.

    ``of`` is the motion in question, ``motions`` the nearest ones with a
    ``distance`` (1 is a usual spread in every feature), nearest first.
    ``searched`` counts the candidates, ``sessions`` the sessions they came
    from.
    """

    of: dict[str, object]
    motions: pl.DataFrame
    compared: tuple[str, ...]
    searched: int
    sessions: int


def similar_motions(
    archive: Archive,
    session: str,
    joint: str,
    start: datetime,
    end: datetime,
    k: int = 5,
    *,
    still: bool = False,
) -> Similar:
    """Find the ``k`` motions of the same unit most like the one at an event.

    Other sessions come first, and nothing that is flagged. Where the joint moved in
    the span the motion is meant, unless ``still`` asks for what it did at rest.

    Searches the sessions whose motions are in the table `motions` (see
    `replay.signals.motion.motions.index_motions`) and the session itself.

    Raises
    ------
    UsageError
        The joint has no motion in this session.
    """
    own = known_motions(archive, session, joint)
    moved = own.filter(
        (pl.col("motion") == "moving") & (pl.col("start") < end) & (pl.col("end") > start)
    )
    of = motion_at(own if still or not moved.height else moved, start, end)
    if of is None:
        raise UsageError(
            f"joint {joint!r} has no motion in session {session!r}",
            todo="the log needs currents and angles or rates of this joint",
        )
    pool = _candidates(archive, of, own)
    ranked, compared = nearest(of, pool, k)
    return Similar(of, ranked, compared, pool.height, pool["session"].n_unique())


def nearest(
    of: dict[str, object], pool: pl.DataFrame, k: int
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Rank a pool of motions by their distance from one of them."""
    compared = tuple(
        name
        for name in FEATURES
        if of[name] is not None and pool.height and pool[name].null_count() < pool.height
    )
    if not pool.height or not compared:
        return pool.head(0).with_columns(distance=pl.lit(None, pl.Float64)), compared
    parts = []
    for name in compared:
        middle = pool[name].median()
        spread = (pool[name] - middle).abs().median()
        scale = max(MAD_TO_SD * float(spread or 0.0), FEATURES[name])  # type: ignore[arg-type]
        parts.append(((pl.col(name) - pl.lit(of[name])) / scale) ** 2)
    ranked = pool.with_columns(distance=pl.mean_horizontal(parts).sqrt())
    here = pl.col("session") == pl.lit(of["session"])
    return ranked.sort(here, "distance", "start").head(k), compared


def onset(table: pl.DataFrame, start: datetime, end: datetime, *, moving: bool) -> datetime:
    """Return the instant at which a motion sets in.

    For a moving stretch the rate's first passage through `ONSET_SHARE` of its
    peak, interpolated between samples; a still stretch sets in at its first
    sample. The joint table must reach a little before ``start``.
    """
    if not moving:
        return start
    inside = table.filter(pl.col("time").is_between(start, end))
    peak = inside["rate_deg_s"].abs().max()
    if not isinstance(peak, float) or peak <= 0:
        return start
    level = ONSET_SHARE * peak
    rate = pl.col("rate_deg_s").abs()
    near = (
        table.filter(pl.col("time") <= end)
        .with_columns(before=rate.shift(1), since=pl.col("t_s").shift(1))
        .filter((rate >= level) & (pl.col("time") >= start))
        .head(1)
    )
    if not near.height:
        return start
    row = near.row(0, named=True)
    now: datetime = row["time"].replace(tzinfo=start.tzinfo)
    before, value = row["before"], abs(row["rate_deg_s"])
    if before is None or before >= level or value <= before:
        return now
    back = (value - level) / (value - before) * (row["t_s"] - row["since"])
    return now - timedelta(seconds=back)


def overlay(
    archive: Archive,
    motions: pl.DataFrame,
    *,
    before_s: float = 1.0,
    after_s: float | None = None,
) -> pl.DataFrame:
    """Return the traces of motions on one clock that is zero at each onset.

    Parameters
    ----------
    motions : polars.DataFrame
        Rows with the columns of `MOTIONS_SCHEMA`, a few of them.
    before_s, after_s : float
        How much to take before the onset and after it; ``after_s`` None takes
        each motion to half a second past its own end.

    Returns
    -------
    polars.DataFrame
        ``row`` (index into ``motions``), ``since_s``, ``angle_deg``,
        ``rate_deg_s``, ``current_a``, ``temperature_c``, ``turned_deg`` (angle
        since onset, counted along the direction of motion).
    """
    traces = []
    for index, motion in enumerate(motions.iter_rows(named=True)):
        start, end = motion["start"], motion["end"]
        until = end + timedelta(seconds=0.5 if after_s is None else after_s)
        table = joint_table(
            archive,
            motion["session"],
            motion["joint"],
            start=start - timedelta(seconds=before_s + 0.5),
            end=until,
        )
        if not table.height:
            continue
        zero = onset(table, start, end, moving=motion["motion"] == "moving")
        clock = (pl.col("time").dt.timestamp("us") - int(zero.timestamp() * 1e6)) / 1e6
        trace = table.select(
            pl.lit(index, pl.Int32).alias("row"),
            clock.alias("since_s"),
            "angle_deg",
            "rate_deg_s",
            "current_a",
            "temperature_c",
        ).filter(pl.col("since_s") >= -before_s)
        if after_s is not None:
            trace = trace.filter(pl.col("since_s") <= after_s)
        origin = trace.filter(pl.col("since_s") >= 0)["angle_deg"].drop_nulls()
        zero_angle = origin[0] if origin.len() else None
        way = motion["direction"] or 1
        traces.append(
            trace.with_columns(turned_deg=(pl.col("angle_deg") - pl.lit(zero_angle)) * way)
        )
    if not traces:
        return pl.DataFrame(
            schema={
                "row": pl.Int32,
                "since_s": pl.Float64,
                "angle_deg": pl.Float64,
                "rate_deg_s": pl.Float64,
                "current_a": pl.Float64,
                "temperature_c": pl.Float64,
                "turned_deg": pl.Float64,
            }
        )
    return pl.concat(traces)


def _candidates(archive: Archive, of: dict[str, object], own: pl.DataFrame) -> pl.DataFrame:
    alike = (pl.col("motion") == of["motion"]) & (pl.col("direction") == of["direction"])
    frames = [own.filter(alike & (pl.col("number") != of["number"]))]
    others = unit_motions(archive, str(of["serial"]))
    frames.append(others.filter((pl.col("session") != of["session"]) & alike))
    pool = _unflagged(archive, pl.concat(frames))
    if of["base_end"] is not None:  # the load on a joint differs wholly between the bases
        pool = pool.filter(pl.col("base_end").eq_missing(pl.lit(of["base_end"])))
    return pool


def _unflagged(archive: Archive, pool: pl.DataFrame) -> pl.DataFrame:
    """Leave out the motions over which a flag of their joint lies."""
    if not (flags := archive.table("flags")).height:
        return pool
    spans = flags.select("session", "joint", pl.col("start").alias("f0"), pl.col("end").alias("f1"))
    hit = (
        pool.join(spans, on=["session", "joint"])
        .filter((pl.col("f0") <= pl.col("end")) & (pl.col("f1") >= pl.col("start")))
        .select("session", "joint", "number")
    )
    return pool.join(hit, on=["session", "joint", "number"], how="anti", maintain_order="left")
