"""The motions of a joint, one row each, with what makes two of them alike.

A *motion* here is one unbroken stretch in which the joint moved one way, or
stood still under its motor (``holding``) or its brake (``held``). The table
`motions` of the archive keeps the motions of every joint unit, so that a
question about one of them is a scan of a small table instead of a pass over
the samples. It can be rebuilt at any time from the samples alone.

Longer than 245 lines because what a motion is and how the table of them is filled stand together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from functools import partial

import polars as pl

from replay.archive import Archive
from replay.signals.joints import joint_table, joint_tables
from replay.signals.motion.breaks import jumps_deg
from replay.workers import Each, in_turn, one_thread

TABLE = "motions"

MOTIONS_SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "joint": pl.String(),
    "serial": pl.String(),
    "number": pl.Int32(),  # of the motion within the joint's session, from 0
    "motion": pl.String(),  # moving | holding | held
    "direction": pl.Int8(),  # -1, 0, 1
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
    "samples": pl.Int32(),
    "duration_s": pl.Float64(),
    "speed_deg_s": pl.Float64(),  # median of |rate|
    "peak_deg_s": pl.Float64(),  # largest |rate|
    "travel_deg": pl.Float64(),  # signed, last angle less first, without jumps of the reading
    "angle_deg": pl.Float64(),  # median, the joint's posture
    "load_nm": pl.Float64(),  # median
    "temperature_c": pl.Float64(),  # median
    "payload_kg": pl.Float64(),  # median
    "base_end": pl.String(),
    "current_a": pl.Float64(),  # median, signed
    "current_peak_a": pl.Float64(),  # largest |current|
}

BATCH = 20
"""Sessions a commit, where nobody looks on."""

_FEW = 100
"""Of so many sessions it is asked by their units' parts which are in the table, of more at once."""

_LEAST_SAMPLES = 3
"""Shorter stretches are recorder noise around a standstill, not motions."""

_GAP_INTERVALS = 5.0
"""A pause in the samples of this many usual intervals ends a motion."""


def motions_of(table: pl.DataFrame, *, session: str, joint: str, serial: str) -> pl.DataFrame:
    """Cut a joint table into motions.

    Parameters
    ----------
    table : polars.DataFrame
        As `replay.signals.joints.joint_table` returns it, shape (n, 20).
    session, joint, serial : str
        Written into every row; ``serial`` names the unit whose history it is.

    Returns
    -------
    polars.DataFrame
        Columns `MOTIONS_SCHEMA`, in the order of time. What was not logged is
        null in every row.
    """
    if table.height < _LEAST_SAMPLES:
        return pl.DataFrame(schema=MOTIONS_SCHEMA)
    step = pl.col("t_s").diff().fill_null(0.0)
    usual = table["t_s"].diff().median()
    gap = _GAP_INTERVALS * float(usual) if isinstance(usual, float) and usual > 0 else 1.0
    moving = pl.col("motion") == "moving"
    way = pl.when(moving).then(pl.col("direction")).otherwise(0).fill_null(0).cast(pl.Int8)
    state = pl.struct(pl.col("motion"), way.alias("way"))
    jump_deg = jumps_deg(*(table[c].to_numpy() for c in ("angle_deg", "rate_deg_s", "t_s")))
    rows = (
        table.lazy()
        .with_columns(way=way, run=(state != state.shift(1)).fill_null(True) | (step > gap))
        .with_columns(pl.Series("jump_deg", jump_deg), run=pl.col("run").cum_sum())
        .filter(pl.col("motion").is_not_null())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("motion").first(),
            pl.col("way").first().alias("direction"),
            pl.col("time").first().dt.cast_time_unit("us").alias("start"),
            pl.col("time").last().dt.cast_time_unit("us").alias("end"),
            pl.len().cast(pl.Int32).alias("samples"),
            (pl.col("t_s").last() - pl.col("t_s").first()).alias("duration_s"),
            pl.col("rate_deg_s").abs().median().alias("speed_deg_s"),
            pl.col("rate_deg_s").abs().max().alias("peak_deg_s"),
            (
                pl.col("angle_deg").drop_nulls().last()
                - pl.col("angle_deg").drop_nulls().first()
                - pl.col("jump_deg").drop_nans().slice(1).sum()
            ).alias("travel_deg"),
            pl.col("angle_deg", "load_nm", "temperature_c", "payload_kg").median(),
            pl.col("base_end").drop_nulls().first(),
            pl.col("current_a").median(),
            pl.col("current_a").abs().max().alias("current_peak_a"),
        )
        .filter(pl.col("samples") >= _LEAST_SAMPLES)
        .sort("start")
        .with_row_index("number")
        .with_columns(
            pl.lit(session).alias("session"),
            pl.lit(joint).alias("joint"),
            pl.lit(serial).alias("serial"),
        )
        .collect()
    )
    return rows.select(pl.col(name).cast(kind) for name, kind in MOTIONS_SCHEMA.items())


def joint_motions(archive: Archive, session: str, joint: str) -> pl.DataFrame:
    """Return the motions of one joint of one session, from its samples."""
    record = archive.session(session)
    return motions_of(
        joint_table(archive, session, joint),
        session=session,
        joint=joint,
        serial=record.unit(joint),
    )


def known_motions(archive: Archive, session: str, joint: str | None = None) -> pl.DataFrame:
    """Return a session's motions from the table where they are in it.

    From the samples otherwise; a day at 100 Hz takes seconds then.
    """
    if archive.tables.version(TABLE) is not None:
        record = archive.session(session)
        unit = [record.unit(joint)] if joint else record.unit_keys
        rows = archive.rows_of(TABLE, [session], units=unit)
        if not rows.height:  # this joint may have none where others have some
            rows = archive.rows_of(TABLE, [session], units=record.unit_keys)
        if rows.height:
            rows = rows.filter(pl.col("joint") == joint) if joint else rows
            kept = rows.filter(pl.col("joint").is_not_null())
            return kept.select(
                pl.col(name).cast(kind) for name, kind in MOTIONS_SCHEMA.items()
            ).sort("joint", "number")
    if joint is not None:
        return joint_motions(archive, session, joint)
    return session_motions(archive, session)


def session_motions(archive: Archive, session: str) -> pl.DataFrame:
    """Return the motions of all joints of a session, from the samples.

    A joint without currents has no joint table and so no motions; the others
    are not held up by it.
    """
    record = archive.session(session)
    frames = [
        motions_of(table, session=session, joint=joint, serial=record.unit(joint))
        for joint, table in joint_tables(archive, session).items()
    ]
    return pl.concat(frames) if frames else pl.DataFrame(schema=MOTIONS_SCHEMA)


def index_motions(
    archive: Archive,
    sessions: Iterable[str] | None = None,
    *,
    again: bool = False,
    progress: Callable[[str, int, int], object] | None = None,
    each: Each = in_turn,
) -> int:
    """Write the motions of sessions into the archive; return how many were new.

    Sessions that are in the table already are skipped unless ``again``.
    ``progress(session, done, of)`` is called after each session; what it raises stops
    the work, and the sessions written so far stay. ``each`` says who reads the sessions;
    this process alone stores, in their order.
    """
    wanted = list(sessions) if sessions is not None else _all_sessions(archive)
    if not again:
        have = indexed_sessions(archive, wanted if sessions is not None else None)
        wanted = [s for s in wanted if s not in have]
    batch = BATCH if progress is None else 1
    held: dict[str, pl.DataFrame] = {}
    for done, (session, rows) in enumerate(each(partial(_looked_at, archive), wanted), 1):
        held[session] = rows
        if len(held) == batch or done == len(wanted):
            units = {unit for name in held for unit in archive.session(name).unit_keys}
            archive.replace(TABLE, pl.concat(held.values()), session=list(held), units=units)
            held = {}
        if progress is not None:
            progress(session, done, len(wanted))
    return len(wanted)


def _looked_at(archive: Archive, session: str) -> tuple[str, pl.DataFrame]:
    """Return a session's rows of the table; of one without motions a row that says so."""
    with one_thread():
        rows = session_motions(archive, session)
    if not rows.height:
        rows = pl.DataFrame({"session": [session]}).join(
            pl.DataFrame(schema=MOTIONS_SCHEMA), on="session", how="left"
        )
    return session, rows.select(list(MOTIONS_SCHEMA))


def indexed_sessions(archive: Archive, among: Sequence[str] | None = None) -> set[str]:
    """Return the sessions whose motions are in the table, of some or of all."""
    if archive.tables.version(TABLE) is None:
        return set()
    if among is not None and len(among) <= _FEW:
        units = {u for s in among for u in archive.session(s).unit_keys}
        return set(archive.rows_of(TABLE, among, units=units)["session"])
    return set(archive.roll(TABLE)["session"])


def unit_motions(archive: Archive, unit: str) -> pl.DataFrame:
    """Return the motions of one joint unit that are in the table, over all sessions."""
    if archive.tables.version(TABLE) is None:
        return pl.DataFrame(schema=MOTIONS_SCHEMA)
    rows = archive.rows_of_units(TABLE, [unit])
    if not rows.height:
        return pl.DataFrame(schema=MOTIONS_SCHEMA)
    return rows.select(pl.col(name).cast(kind) for name, kind in MOTIONS_SCHEMA.items())


def motion_at(motions: pl.DataFrame, start: datetime, end: datetime) -> dict[str, object] | None:
    """Return the motion that an event belongs to.

    The one it overlaps longest; a moving stretch wins over a still one as
    soon as it covers a fifth of the event, because the still stretches around
    a fault during motion are long. An event between motions belongs to the
    nearest one.
    """
    if not motions.height:
        return None
    first, last = pl.lit(start), pl.lit(end)
    span_s = max((end - start).total_seconds(), 1e-3)
    ranked = motions.with_columns(
        overlap=(
            pl.min_horizontal("end", last) - pl.max_horizontal("start", first)
        ).dt.total_microseconds()
        / 1e6
    ).with_columns(
        preferred=(pl.col("motion") == "moving") & (pl.col("overlap") >= 0.2 * span_s),
    )
    best = ranked.sort(["preferred", "overlap", "start"], descending=[True, True, False])
    return best.drop("overlap", "preferred").row(0, named=True)


def _all_sessions(archive: Archive) -> list[str]:
    frame = archive.sessions()
    return frame["session"].to_list() if frame.height else []
