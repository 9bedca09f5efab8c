"""A session read piece by piece into blocks, and how long its filter must be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields
from datetime import timedelta

import numpy as np

from replay.archive import Archive
from replay.models.grid.blocks import SUB_S, Grid, JointBlocks, Piece, SessionBlocks
from replay.models.grid.joint_blocks import Carried, joint_blocks
from replay.models.grid.resampled import Rows
from replay.records import Session
from replay.settings import setting
from replay.signals.channels import Channels
from replay.units import channel, nanoseconds

PIECE_S = 3600.0


LADDER_S = (0.25, 0.35, 0.5, 0.7, 1.0)


LOOKS = 4
"""Lengths of the box that are chosen from, and sessions that are looked at for it."""


def choose_filter(archive: Archive, sessions: Sequence[str]) -> float:
    """Return the length of the box (s) at which accelerations stand clear of their noise.

    An acceleration that is half noise is a torque taken too small: errors in a
    regressor bend its coefficient towards nothing. A few sessions are looked at.
    """
    wanted = []
    spread = sessions[:: max(1, len(sessions) // LOOKS)][:LOOKS]
    for name in spread:
        blocks = condense(archive, name, filter_s=LADDER_S[-1])
        for joint, mine in blocks.joints.items():
            fine = blocks.fineness[joint]
            size = np.abs(mine.accel_deg_s2[np.isfinite(mine.accel_deg_s2)])
            size = size[size > 4 * fine.accel_noise_deg_s2]
            if len(size) < 20 or fine.accel_noise_deg_s2 <= 0:
                continue
            usual = float(np.quantile(size, 0.75))
            # noise falls with the box's length to the power of 5 / 2
            share = fine.accel_noise_deg_s2 / (setting("accel_noise") * usual)
            wanted.append(LADDER_S[-1] * share**0.4)
    if not wanted:
        return LADDER_S[0]
    least = float(np.quantile(wanted, 0.75))
    return next((step for step in LADDER_S if step >= least), LADDER_S[-1])


def condense(
    archive: Archive,
    session: str,
    visit: Callable[[Piece], None] | None = None,
    *,
    filter_s: float | None = None,
) -> SessionBlocks:
    """Return a session's blocks, reading it piece by piece.

    Parameters
    ----------
    archive : Archive
    session : str
    visit : callable, optional
        Called with every piece, in order: what else wants the rows as they were
        logged is spared a second reading.
    filter_s : float, optional
        Length of the filter's box; the model's own for whatever is judged by it.

    Returns
    -------
    SessionBlocks
    """
    record = archive.session(session)
    start_ns, end_ns = nanoseconds(record.start), nanoseconds(record.end)
    step = timedelta(seconds=PIECE_S)
    parts: list[SessionBlocks] = []
    carried: dict[str, Carried] = {}
    grid: Grid | None = None
    at = record.start
    while at < record.end or not parts:
        stop = at + step
        if record.end - stop < step / 10:
            stop = record.end + timedelta(seconds=1)
        whole = at == record.start and stop > record.end
        channels = Channels(
            archive, record, record.joints, None if whole else at, None if whole else stop
        )
        piece = Piece(
            record, channels, nanoseconds(at), min(nanoseconds(stop), end_ns + 1_000_000_000)
        )
        if visit is not None:
            visit(piece)
        grid = grid or _grid(channels, record, start_ns, end_ns, filter_s or LADDER_S[0])
        parts.append(_condense_piece(piece, grid, carried))
        at = stop
    return _joined(parts)


def _grid(channels: Channels, record: Session, start_ns: int, end_ns: int, filter_s: float) -> Grid:
    steps = []
    for joint in record.joints:
        for quantity in ("current_a", "angle_deg", "rate_deg_s"):
            times = channels.numbers(channel(joint, quantity)).time_ns
            if len(times) > 2:
                steps.append(float(np.median(np.diff(times[:20_000]))))
                break
    fine_ns = min(steps) if steps else 1e9
    each = max(1, round(SUB_S * 1e9 / fine_ns))
    sub_s = fine_ns * each / 1e9
    width = max(1, round(filter_s / sub_s))
    width += 1 - width % 2
    if sub_s < filter_s:
        width = max(width, 3)
    every = max(1, round(setting("block_s") / sub_s))
    return Grid(start_ns, end_ns, fine_ns, each, width, every)


def _condense_piece(piece: Piece, grid: Grid, carried: dict[str, Carried]) -> SessionBlocks:
    sub_ns = grid.fine_ns * grid.each
    pad = 2 * grid.width + grid.every
    first = int(np.floor((piece.start_ns - grid.start_ns) / sub_ns))
    last = int(np.ceil((piece.end_ns - grid.start_ns) / sub_ns))
    low, high = max(0, first - pad), last + pad
    high = min(high, int((grid.end_ns - grid.start_ns) / sub_ns) + 1)
    high = max(high, low + 1)
    rows = np.arange(low * grid.each, high * grid.each)
    times = grid.start_ns + np.round((rows + 0.5) * grid.fine_ns).astype(np.int64)
    start = first + (-first) % grid.every
    centres = np.arange(start, min(last, high), grid.every)
    inside = centres - low
    block_ns = grid.start_ns + np.round((centres + 0.5) * sub_ns).astype(np.int64)
    joints, fineness = {}, {}
    bring = Rows(piece.channels, times, grid.each)
    for joint in piece.record.joints:
        joints[joint], fineness[joint] = joint_blocks(
            piece.channels, bring, joint, grid, times, inside, block_ns, low, carried
        )
    return SessionBlocks(
        record=piece.record,
        time_ns=block_ns,
        t_s=(block_ns - grid.start_ns) / 1e9,
        step_s=grid.every * grid.sub_s,
        support_s=(3 * grid.width - 2) * grid.sub_s,
        joints=joints,
        fineness=fineness,
        payload_kg=piece.channels.payload_kg(block_ns),
        base_end=piece.channels.base_end(block_ns),
        person_on_tip=piece.channels.person_on_tip(block_ns),
    )


def _joined(parts: list[SessionBlocks]) -> SessionBlocks:
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    joints = {
        name: JointBlocks(
            **{
                f.name: np.concatenate([getattr(p.joints[name], f.name) for p in parts])
                for f in fields(JointBlocks)
            }
        )
        for name in first.joints
    }
    return SessionBlocks(
        record=first.record,
        time_ns=np.concatenate([p.time_ns for p in parts]),
        t_s=np.concatenate([p.t_s for p in parts]),
        step_s=first.step_s,
        support_s=first.support_s,
        joints=joints,
        fineness=first.fineness,
        payload_kg=np.concatenate([p.payload_kg for p in parts]),
        base_end=np.concatenate([p.base_end for p in parts]),
        person_on_tip=np.concatenate([p.person_on_tip for p in parts]),
    )
