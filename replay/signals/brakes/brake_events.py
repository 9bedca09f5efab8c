"""What a joint's brake did at each release and each engagement.

Words used here, for spring-applied brakes that power holds open:

release delay
    from the release (the command where it was logged, else the state's word)
    to the joint's first motion or, if that is earlier, to the motor current's
    step. Only where motion was asked for within `WAIT_S`; where no commanded
    rate says so, the delay is *at most* the time to the first motion.
engagement delay
    from the engagement (command, else word) of a brake on a moving joint to
    the moment the joint begins to slow.
stopping time, stopping angle
    from the same signal to standstill: the time, and the travel in it (stop
    signal to standstill, as ISO 10218-1:2011 Annex B defines them).
chatter
    the state's word changes back within `CHATTER_S`, its command unchanged.

A word answers the one command that `release_answers` pairs it with; one that changes again by
itself has no command. A time is never better known than the sampling: `intervals`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.brakes.intervals import Span, never
from replay.signals.brakes.release_answers import answers
from replay.signals.brakes.spans_of_rows import between_rows, run_up_s, spread_columns
from replay.signals.joint_signals import JointSignals, signals_of

WAIT_S = 3.0
"""How long after a release or an engagement the consequence is looked for."""
BEFORE_S = 1.0
CURRENT_SIGMAS = 6.0
SLOWED = 0.05
"""A joint begins to slow when its rate has dropped by this share, and by 4 sigma."""

EVENT_SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("ns", "UTC"),
    "event": pl.String(),  # release | engage
    "signal": pl.String(),  # command | state: what the times count from
    "answer_low_s": pl.Float64(),  # command to state word, where both were logged
    "answer_high_s": pl.Float64(),
    "answer_status": pl.String(),
    "delay_low_s": pl.Float64(),  # release delay or engagement delay
    "delay_high_s": pl.Float64(),
    "delay_s": pl.Float64(),  # only where measured
    "delay_status": pl.String(),  # an interval's status, or at most | not asked for
    "delay_by": pl.String(),  # motion | current
    "rate_deg_s": pl.Float64(),  # at the signal
    "on_the_move": pl.Boolean(),
    "stop_low_s": pl.Float64(),
    "stop_high_s": pl.Float64(),
    "stop_s": pl.Float64(),
    "stop_status": pl.String(),
    "stop_angle_deg": pl.Float64(),
    "stop_angle_se_deg": pl.Float64(),
    "load_nm": pl.Float64(),
    "temperature_c": pl.Float64(),
}
"""Columns of `brake_events`."""


def brake_events(table: pl.DataFrame | JointSignals) -> pl.DataFrame:
    """Return one row per release and engagement; columns of `EVENT_SCHEMA`.

    Parameters
    ----------
    table : DataFrame or JointSignals
        A joint table. Without a brake state the command's changes are taken
        as the events (``signal`` says so), with neither there are none.
    """
    a = signals_of(table)
    word = a.brake_engaged if (a.brake_engaged >= 0).any() else a.brake_engage_cmd
    rows = []
    times = a.times().to_numpy()
    commands = answered_commands(a)
    for k, state in changes(word):
        row = _release(a, k, commands) if state == 0 else _engage(a, k, commands)
        rows.append({"time": times[k], **row, **_conditions(a, k)})
    if not rows:
        return pl.DataFrame(schema=EVENT_SCHEMA)
    columns = {name: [row.get(name) for row in rows] for name in EVENT_SCHEMA if name != "time"}
    when = pl.Series("time", np.array([r["time"] for r in rows])).cast(pl.Datetime("ns"))
    frame = pl.DataFrame(
        columns, schema={k: v for k, v in EVENT_SCHEMA.items() if k != "time"}, strict=False
    )
    return frame.insert_column(0, when.dt.replace_time_zone("UTC")).with_columns(
        pl.col(pl.Float64).fill_nan(None)
    )


def changes(word: NDArray[np.int8]) -> list[tuple[int, int]]:
    """Return (row, new state) for each known change; unknown rows in between are passed over."""
    known = np.flatnonzero(word >= 0)
    if len(known) < 2:
        return []
    turns = known[1:][word[known[1:]] != word[known[:-1]]]
    return [(int(k), int(word[k])) for k in turns]


def _signal(a: JointSignals, k: int, commands: Mapping[int, int]) -> tuple[str, int]:
    """Return what the times count from, and its row: the command that was answered, else k."""
    if k in commands:
        return "command", commands[k]
    return ("state" if a.brake_engaged[k] >= 0 else "command"), k


def answered_commands(a: JointSignals) -> dict[int, int]:
    """Return the row of the command by the row of the word that answered it."""
    pairs = [
        pair
        for state in (0, 1)
        for pair in answers(a.t_s, a.brake_engage_cmd, a.brake_engaged, state)
    ]
    return {end: begin for begin, end, open_ended in pairs if not open_ended}


def _release(a: JointSignals, k: int, commands: Mapping[int, int]) -> dict[str, object]:
    signal, at = _signal(a, k, commands)
    row: dict[str, object] = {
        "event": "release",
        "signal": signal,
        **_answer(a, signal, at, k),
        "rate_deg_s": float(a.rate_deg_s[at]),
        "on_the_move": None,
    }
    # a brake that was slow to answer is given its time once it has
    since = at if a.t_s[k] - a.t_s[at] < WAIT_S else k
    stop = int(np.searchsorted(a.t_s, a.t_s[since] + WAIT_S, side="right"))
    moving = np.abs(a.rate_deg_s[at:stop]) > a.still_deg_s
    before = slice(int(np.searchsorted(a.t_s, a.t_s[at] - BEFORE_S)), at)
    level = float(np.median(a.current_a[before])) if at > before.start else float(a.current_a[at])
    pushed = np.abs(a.current_a[at:stop] - level) > max(CURRENT_SIGMAS * a.current_noise_a, 1e-9)
    commanded = np.abs(np.nan_to_num(a.rate_cmd_deg_s[at:stop])) > a.still_deg_s
    wanted = commanded.any() if np.isfinite(a.rate_cmd_deg_s).any() else moving.any()
    if not wanted:
        return {**row, "delay_status": "not asked for"}
    start = at
    if commanded.any() and not np.abs(np.nan_to_num(a.rate_cmd_deg_s[at])) > a.still_deg_s:
        start = at + int(np.argmax(commanded))  # released first, asked to move later
    moved, stepped = _first(moving), _first(pushed)
    found = min((i for i in (moved, stepped) if i is not None), default=None)
    if found is None:
        return {**row, **spread_columns("delay", never(a.t_s[start], a.t_s[stop - 1]))}
    by_motion = moved is not None and moved <= found
    row["delay_by"] = "motion" if by_motion else "current"
    first = min(start, at + found)
    early = a.smear_s + run_up_s(a, at + found, stop) if by_motion else 0.0
    late = a.smear_s if by_motion else 0.0
    delay = between_rows(a, first, at + found, early, late)
    if not np.isfinite(a.rate_cmd_deg_s).any():
        # nothing says when motion was asked for: the brake took at most so long
        delay = Span(0.0, delay.high_s, "at most")
    return {**row, **spread_columns("delay", delay)}


def _engage(a: JointSignals, k: int, commands: Mapping[int, int]) -> dict[str, object]:
    signal, at = _signal(a, k, commands)
    rate = (
        float(a.rate_deg_s[at - 1])
        if at and np.isfinite(a.rate_deg_s[at - 1])
        else float(a.rate_deg_s[at])
    )
    on_the_move = bool(abs(rate) > a.still_deg_s)
    row: dict[str, object] = {
        "event": "engage",
        "signal": signal,
        **_answer(a, signal, at, k),
        "rate_deg_s": rate,
        "on_the_move": on_the_move if np.isfinite(rate) else None,
    }
    if not on_the_move:
        return {**row, "delay_status": "not asked for", "stop_status": "at rest"}
    stop = int(np.searchsorted(a.t_s, a.t_s[at] + WAIT_S + abs(rate), side="right"))
    size = a.rate_deg_s[at:stop] * np.sign(rate)
    drop = max(SLOWED * abs(rate), 4 * a.rate_noise_deg_s)
    slowing = _first(size < abs(rate) - drop)
    resting = _first(size < a.still_deg_s)
    last = a.t_s[stop - 1]
    # thresholds are passed a little after slowing begins and a little before rest
    per_rate = 0.0
    if slowing is not None and resting is not None:
        between = max(a.t_s[at + resting] - a.t_s[at + slowing], a.step_s)
        per_rate = between / max(abs(rate) - drop - a.still_deg_s, 0.25 * abs(rate))
    early, late = a.smear_s + drop * per_rate, a.smear_s + a.still_deg_s * per_rate
    if slowing is None:
        row |= spread_columns("delay", never(a.t_s[at], last))
    else:
        row |= spread_columns("delay", between_rows(a, at, at + slowing, early, a.smear_s))
        row["delay_by"] = "motion"
    if resting is None:
        return {**row, **spread_columns("stop", never(a.t_s[at], last))}
    rest = at + resting
    row |= spread_columns("stop", between_rows(a, at, rest, a.smear_s, late))
    if np.isfinite(a.angle_deg[at]) and np.isfinite(a.angle_deg[rest]):
        travel = abs(a.angle_deg[rest] - a.angle_deg[at])
    else:
        piece = slice(at, rest + 1)
        travel = abs(float(np.trapezoid(np.nan_to_num(a.rate_deg_s[piece]), a.t_s[piece])))
    # the signal came up to a step before its row, with the joint at full rate
    step = float(a.t_s[at] - a.t_s[at - 1]) if at else a.step_s
    row["stop_angle_deg"] = travel + abs(rate) * step / 2
    row["stop_angle_se_deg"] = float(
        np.hypot(abs(rate) * step / np.sqrt(12), a.angle_noise_deg * 1.42)
    )
    return row


def _conditions(a: JointSignals, k: int) -> dict[str, object]:
    return {
        "load_nm": float(a.load_nm[k]),
        "temperature_c": float(a.temperature_c[k]),
    }


def _answer(a: JointSignals, signal: str, at: int, k: int) -> dict[str, object]:
    if signal != "command" or a.brake_engaged[k] < 0:
        return {}
    found = between_rows(a, at, k)
    return {
        "answer_low_s": found.low_s,
        "answer_high_s": found.high_s,
        "answer_status": found.status,
    }


def _first(flags: NDArray[np.bool_]) -> int | None:
    return int(np.argmax(flags)) if flags.any() else None
