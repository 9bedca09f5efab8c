"""One log file becomes cleaned streams in a staging folder, with its notes.

Longer than 245 lines because the joints' names, signs and ends are settled in one order, each
step on the one before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from replay.arm import Arm, reversal
from replay.arm.chain import Reversal
from replay.cleaning.stream.channel_statistics import ChannelStatistics
from replay.cleaning.stream.channels import (
    ChannelPlan,
    learn_typical,
    plan_channels,
    sampled_numbers,
)
from replay.cleaning.stream.cleaner import StreamCleaner
from replay.cleaning.stream.encode import Follower
from replay.cleaning.stream.on_change import MAY_BE_HELD, written_on_change
from replay.cleaning.times.time_column import Clock
from replay.errors import LogMapError, LogRefused, first_line
from replay.logs.bind import Binding
from replay.logs.maps import LogMap
from replay.logs.readers.delimited import failed_column
from replay.logs.readers.raw import RawLog
from replay.records import QualityNote
from replay.units import SESSION_QUANTITIES

Follow = Callable[[Path], Follower]

_TRIES = 4
_REGULAR = 0.6
"""Share of steps near the median step from which samples come at a rate."""
_WATCHED = (
    "angle_deg", "angle_cmd_deg", "motor_angle_deg", "rate_deg_s", "current_a", "temperature_c",
)  # fmt: skip
_SIGNED = (
    "angle_deg", "angle_cmd_deg", "motor_angle_deg", "rate_deg_s", "rate_cmd_deg_s", "current_a",
    "current_target_a", "torque_nm",
)  # fmt: skip
"""Quantities that turn their sign with the sense of a joint's axis."""


@dataclass(slots=True)
class Part:
    """What one file gave: streams on disk, and the cleaners that made them."""

    raw: RawLog
    streams: dict[str, Path] = field(default_factory=dict)
    cleaners: dict[str, StreamCleaner] = field(default_factory=dict)
    base_note: str | None = None
    second: bool = False
    """Whether another recorder of the session saw these channels throughout."""
    told: list[QualityNote] = field(default_factory=list)
    """What was found when it was laid beside the session's other logs."""


def joint_names(log_map: LogMap, arm: Arm | None) -> tuple[tuple[str, ...], str | None]:
    """Return the joints' names as the archive will know them, and what to say.

    Raises
    ------
    LogMapError
        When the arm has other joints than the map.
    """
    if arm is None:
        return log_map.joints, None
    names = arm.joint_names
    if set(log_map.joints) <= set(names):
        return log_map.joints, None
    if len(names) != len(log_map.joints):
        raise LogMapError(
            f"the log map has {len(log_map.joints)} joints, the arm file {len(names)}",
            todo="name the log's joints as the arm file does: joints = [...]",
        )
    return names, (
        "joints were matched by their order from end A: "
        + ", ".join(f"{a} is {b}" for a, b in zip(log_map.joints, names, strict=True))
    )


def clean_wide(
    raw: RawLog,
    log_map: LogMap,
    bindings: list[Binding],
    joints: tuple[str, ...],
    arm: Arm | None,
    folder: Path,
    *,
    stream: str = "main",
    time_column: str | None = None,
    on_change: bool = False,
    follow: Follow | None = None,
) -> Part:
    """Clean a table of one row an instant into one stream.

    Parameters
    ----------
    on_change : bool
        Samples come when something changes, so that no gap means anything.
    follow : callable, optional
        Gives for a stream's file what else wants to see its rows.

    Raises
    ------
    LogRefused
        When no row is left, or the time column cannot be read.
    """
    column = time_column or find_time(raw, log_map)
    part = Part(raw)
    exact = _kept_as_text(raw, log_map, column)
    as_text = exact
    for attempt in range(_TRIES + 1):
        cleaner, base_note = _cleaner(raw, log_map, bindings, joints, arm, column)
        cleaner.regular &= not on_change
        target = folder / f"{stream}.parquet"
        try:
            cleaner.sink(target, as_text, None if follow is None else follow(target))
        except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            if raw.kind != "delimited" or attempt == _TRIES:
                raise LogRefused(
                    f"cannot be decoded: {first_line(error)}",
                    file=raw.path,
                    todo="the file is damaged; copy it again",
                ) from None
            bad = failed_column(error, raw.columns)
            if bad is not None and bad not in as_text and attempt < 2:
                as_text = as_text | {bad}
            elif raw.scrub is not None:
                raw = raw.scrub(folder)
                as_text = exact
            else:
                as_text = frozenset(raw.columns)
            continue
        dropped = 1 if cleaner.last_row_dropped is not None else 0
        swallowed = raw.lines is not None and raw.lines() != cleaner.rows_in
        again = cleaner.names_again()
        if raw.scrub is not None and (swallowed or again or cleaner.tell_tale_nulls > dropped):
            raw = raw.scrub(folder)
            as_text = exact
            continue
        break
    part.raw = raw
    part.streams[stream] = target
    part.cleaners[stream] = cleaner
    part.base_note = base_note
    return part


def _kept_as_text(raw: RawLog, log_map: LogMap, column: str | None) -> frozenset[str]:
    """Return the time column where a double would not hold its decimals."""
    epoch = log_map.time.format in ("epoch-s", "epoch-ms", "epoch-us")
    if raw.kind != "delimited" or column is None or not epoch:
        return frozenset()
    return frozenset([column])


def find_time(raw: RawLog, log_map: LogMap) -> str | None:
    """Return the log's time column; None for a log whose rows come at a rate.

    Raises
    ------
    LogMapError
        When the map names a time column and the log has none of that name.
    """
    column = log_map.time.column_in(raw.columns)
    below = log_map.time.nanosecond
    if below is not None and below not in raw.columns:
        raise LogMapError(f"time.nanosecond: no column {below!r}", file=raw.path, column=below)
    if column is None and log_map.time.columns:
        raise LogMapError(
            "time: no column " + " or ".join(repr(c) for c in log_map.time.columns),
            file=raw.path,
            column=log_map.time.columns[0],
            todo="columns: " + ", ".join(repr(c[:60]) for c in raw.columns[:8]),
        )
    return column


def _cleaner(
    raw: RawLog,
    log_map: LogMap,
    bindings: list[Binding],
    joints: tuple[str, ...],
    arm: Arm | None,
    time_column: str | None,
) -> tuple[StreamCleaner, str | None]:
    plans = plan_channels(bindings, joints)
    nominal, regular = _nominal_ns(raw, log_map, bindings, time_column)
    counted_from_b = log_map.numbering == "base" and _stays_at_b(log_map)
    if counted_from_b:
        _rename_from_b(plans, joints, arm)
    sample = raw.sample
    for plan in plans:
        learn_typical(plan, sample[plan.column], raw.decimal_comma)
    statistics = {
        p.name: ChannelStatistics(
            p.name,
            p.quantity,
            step_limit=_step_limit(p, arm, nominal / 1e9),
            may_wrap=p.quantity in ("angle_deg", "angle_cmd_deg") and not p.linear,
        )
        for p in plans
        if p.number and p.quantity in _WATCHED
    }
    sampled = {
        p.name: (p.quantity, numbers.to_numpy())
        for p in plans
        if p.quantity in MAY_BE_HELD
        and (numbers := sampled_numbers(sample[p.column], raw.decimal_comma)) is not None
    }
    held = written_on_change(sampled, nominal) if regular and not raw.joint_rows else {}
    cleaner = StreamCleaner(
        raw, Clock(log_map.time), time_column, plans, statistics, held, nominal, regular
    )
    note = None
    if log_map.numbering == "base":
        note = _number_from_base(cleaner, log_map, joints, arm, renamed=counted_from_b)
    return cleaner, note


def _stays_at_b(log_map: LogMap) -> bool:
    """Tell whether the map states that end B is the base throughout."""
    entry = log_map.session.get("base_end")
    value = None if entry is None else entry.value
    return value is not None and str(value).strip().lower() in ("b", "end b")


def _rename_from_b(plans: list[ChannelPlan], joints: tuple[str, ...], arm: Arm | None) -> None:
    """Give each joint channel its physical joint while end B is the base throughout.

    A channel need not share its instants with the one at the mirrored place, so
    it is renamed rather than exchanged for it.
    """
    pattern = _mirror(arm)
    for plan in plans:
        if plan.joint is None:
            continue
        place = len(joints) - 1 - joints.index(plan.joint)
        plan.joint = joints[place]
        plan.name = f"{plan.joint}.{plan.quantity}"
        if plan.quantity in _SIGNED and pattern is not None:
            plan.factor *= float(pattern.signs[place])


def _mirror(arm: Arm | None) -> Reversal | None:
    if arm is None or any(j.from_previous is None for j in arm.joints):
        return None
    return reversal(arm)


def _number_from_base(
    cleaner: StreamCleaner,
    log_map: LogMap,
    joints: tuple[str, ...],
    arm: Arm | None,
    *,
    renamed: bool,
) -> str | None:
    """Say for each channel which one it is while end B is the base."""
    entry = log_map.session.get("base_end")
    if entry is None:
        raise LogMapError(
            "joints are numbered from the base, and nothing says which end was the base",
            todo='[session.base_end] column = ... or value = "A"',
        )
    pattern = _mirror(arm)
    signs = pattern.signs if pattern is not None else (1,) * len(joints)
    names = {p.name for p in cleaner.plans}
    for plan in cleaner.plans:
        if plan.joint is None or renamed:
            continue
        place = joints.index(plan.joint)
        other = joints[len(joints) - 1 - place] + "." + plan.quantity
        plan.swap = other if other in names else None
        plan.swap_sign = float(signs[place]) if plan.quantity in _SIGNED else 1.0
    said = "while end B is the base, number 1 is the joint nearest end B"
    if pattern is None:
        return f"{said}; no sign pattern could be derived from the arm file, so signs are as logged"
    return f"{said}; signs {' '.join('+' if s > 0 else '-' for s in signs)} from the arm's geometry"


def _nominal_ns(
    raw: RawLog, log_map: LogMap, bindings: Sequence[Binding], time_column: str | None
) -> tuple[int, bool]:
    """Return the usual interval between the first samples, and if it is kept to.

    Where each row speaks of one joint, between the rows of one.
    """
    if time_column is None:
        return max(round(1e9 / (log_map.time.rows_at_hz or 1.0)), 1), True
    head = raw.sample.head(max(raw.head, 1))
    if raw.joint_rows:
        head = head.filter(pl.col(bindings[0].column).is_not_null())
    ns, ok = Clock(log_map.time).read_from(head, time_column)
    steps = np.diff(ns[ok])
    steps = steps[steps > 0]
    if not len(steps):
        return 1_000_000_000, False
    usual = max(int(np.median(steps)), 1)
    near = np.mean(np.abs(steps - usual) < 0.5 * usual)
    return usual, bool(near >= _REGULAR)


def _step_limit(plan: ChannelPlan, arm: Arm | None, dt_s: float) -> float:
    if plan.quantity == "temperature_c":
        return 15.0
    if plan.quantity != "angle_deg" or plan.linear or arm is None or plan.joint is None:
        return float("inf")
    try:
        limit = arm.joint(plan.joint).rate_limit_deg_s
    except KeyError:
        return float("inf")
    return float("inf") if limit is None else 3.0 * limit * dt_s + 0.5


def constants(streams: Sequence[Path], log_map: LogMap) -> dict[str, object]:
    """Return what held for the whole session, from the map or from channels."""
    from replay.logs import scales
    from replay.logs.words import dictionary

    found: dict[str, object] = {}
    for entry in log_map.session.values():
        if entry.value is None:
            continue
        if entry.quantity == "payload_kg":
            s = scales.scale(str(entry.unit), "mass")
            found[entry.quantity] = float(entry.value) * s.factor + s.offset
        else:
            words = dictionary(entry.quantity, entry.words) or {}
            found[entry.quantity] = words.get(str(entry.value).strip().lower(), entry.value)
    for path in streams:
        frame = pl.scan_parquet(path, glob=False)
        names = [c for c in frame.collect_schema() if c in SESSION_QUANTITIES]
        if not names:
            continue
        spread = frame.select(
            *(pl.col(c).drop_nulls().n_unique().alias(f"{c}#") for c in names),
            *(pl.col(c).drop_nulls().first() for c in names),
        ).collect()
        for c in names:
            if spread[f"{c}#"][0] == 1:
                found.setdefault(c, spread[c][0])
    return found
