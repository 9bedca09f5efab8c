"""A session condensed to filtered samples, about five a second, joint by joint.

One filter for every term of a joint's balance: h = box * box * box. Current
passes it; so does acceleration, for the second difference of box means over the
box's own length *is* the acceleration through h:
a = [q(t+m) - 2 q(t) + q(t-m)] / (m dt)^2, and its noise sqrt(6/m) sd / (m dt)^2.
Other filters for other terms would give peaks at every abrupt stop.

A session is read in pieces of an hour, so that memory does not grow with the log.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from replay.archive import Archive
from replay.models.residuals import BETWEEN, HELD, RESTING, SLIDING, Codes, Flags, Floats
from replay.records import Session
from replay.settings import setting
from replay.signals.carry import CARRY_STEPS
from replay.signals.channels import Channels
from replay.signals.motion.rates import unwrapped
from replay.statistics.noise import noise_of, resolution
from replay.units import channel

PIECE_S = 3600.0
LADDER_S = (0.25, 0.35, 0.5, 0.7, 1.0)
LOOKS = 4
"""Lengths of the box that are chosen from, and sessions that are looked at for it."""
NOISE_ROWS = 40_000
"""Rows from which noise and least steps are read."""
SUB_S = 0.05
"""Rows are first averaged to about this; it is a fifth of the box."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a session as it was logged, with 2 s more at either side."""

    record: Session
    channels: Channels
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class JointBlocks:
    """One joint through the filter; (n,) each, NaN or -1 where unknown.

    ``lead_deg`` is the integral of the commanded rate less the angle since the drive
    was enabled: by the brake's word, and ``lead_asked_deg`` by its command. It is taken
    anew to the row, for a drive's integral starts from nothing there. ``free`` is 1 where word
    and command say released over the filter's whole support.
    """

    current_a: Floats
    angle_deg: Floats
    rate_deg_s: Floats
    accel_deg_s2: Floats
    rate_cmd_deg_s: Floats
    accel_cmd_deg_s2: Floats
    lead_deg: Floats
    lead_asked_deg: Floats
    temperature_c: Floats
    state: Codes
    free: Codes
    engaged: Codes
    engage_cmd: Codes


@dataclass(frozen=True, slots=True)
class Fineness:
    """What a joint's recorder resolves: noise and least step of angle and current."""

    angle_noise_deg: float
    angle_resolution_deg: float
    current_noise_a: float
    current_resolution_a: float
    accel_noise_deg_s2: float
    rate_noise_deg_s: float


@dataclass(frozen=True, slots=True)
class SessionBlocks:
    """A condensed session. ``base_end`` has codes into `replay.signals.channels.ENDS`."""

    record: Session
    time_ns: NDArray[np.int64]
    t_s: Floats
    step_s: float
    support_s: float
    joints: dict[str, JointBlocks]
    fineness: dict[str, Fineness]
    payload_kg: Floats
    base_end: Codes

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Even instants through a session: rows of ``fine_ns``, ``each`` of them a sub-block."""

    start_ns: int
    end_ns: int
    fine_ns: float
    each: int
    width: int
    every: int

    @property
    def sub_s(self) -> float:
        return self.fine_ns * self.each / 1e9


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
    """
    record = archive.session(session)
    start_ns, end_ns = _nanoseconds(record.start), _nanoseconds(record.end)
    step = timedelta(seconds=PIECE_S)
    parts: list[SessionBlocks] = []
    carried: dict[str, _Carried] = {}
    grid: _Grid | None = None
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
            record, channels, _nanoseconds(at), min(_nanoseconds(stop), end_ns + 1_000_000_000)
        )
        if visit is not None:
            visit(piece)
        grid = grid or _grid(channels, record, start_ns, end_ns, filter_s or LADDER_S[0])
        parts.append(_condense_piece(piece, grid, carried))
        at = stop
    return _joined(parts)


@dataclass(slots=True)
class _Carried:
    """Where the last piece's angle and integrated command stood, at its end."""

    index: int
    angle_deg: float
    command_deg: float
    fineness: Fineness | None = None
    anchors: dict[int, list[tuple[int, float]]] = field(default_factory=dict)
    """By kind of word: where (sub-block) a lead began anew, and at what."""


def _grid(
    channels: Channels, record: Session, start_ns: int, end_ns: int, filter_s: float
) -> _Grid:
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
    return _Grid(start_ns, end_ns, fine_ns, each, width, every)


def _condense_piece(piece: Piece, grid: _Grid, carried: dict[str, _Carried]) -> SessionBlocks:
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
    bring = _Rows(piece.channels, times, grid.each)
    for joint in piece.record.joints:
        joints[joint], fineness[joint] = _joint(
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
    )


def _joint(
    channels: Channels,
    bring: _Rows,
    joint: str,
    grid: _Grid,
    times: NDArray[np.int64],
    inside: NDArray[np.int64],
    block_ns: NDArray[np.int64],
    low: int,
    carried: dict[str, _Carried],
) -> tuple[JointBlocks, Fineness]:
    width, sub_s = grid.width, grid.sub_s
    current = bring.means(channel(joint, "current_a"))
    fine = _fineness(channels, joint, grid, carried.get(joint))
    nothing = np.full(len(current), np.nan)
    step_s = grid.fine_ns / 1e9
    has_angle = channels.has(channel(joint, "angle_deg"))
    if has_angle:
        angle = bring.means(channel(joint, "angle_deg"), unwrap=True) + 0.0
    else:
        speed = bring.numbers(channel(joint, "rate_deg_s"))
        angle = nothing.copy() if speed is None else _integral(speed, step_s, grid.each)
    speed_cmd = bring.numbers(channel(joint, "rate_cmd_deg_s"))
    has_command = speed_cmd is not None
    command = nothing.copy() if speed_cmd is None else _integral(speed_cmd, step_s, grid.each)
    _carry_on(carried, joint, angle, command, low, fine)
    box_angle = _box(angle, width)
    rate_box = _lag(angle, width, sub_s)
    rate = _box(_box(rate_box, width), width)
    accel = _second(box_angle, width, sub_s)
    rate_cmd = _box(_box(_lag(command, width, sub_s), width), width)
    accel_cmd = _second(_box(command, width), width, sub_s)
    sub_ns = times[grid.each // 2 :: grid.each]
    word = channels.codes(channel(joint, "brake_engaged"), sub_ns)
    asked = channels.codes(channel(joint, "brake_engage_cmd"), sub_ns)
    leads = [
        _thrice(_since_enabled(command - angle, code, carried[joint].anchors, k, low), width)
        for k, code in enumerate((word, asked))
    ]
    if not has_command:
        rate_cmd = accel_cmd = np.full(len(angle), np.nan)
        leads = [rate_cmd, rate_cmd]
    state, free = _states(rate_box, word, asked, (3 * width - 2, 4 * width), fine, inside)
    at = inside
    return (
        JointBlocks(
            current_a=_thrice(current, width)[at],
            angle_deg=_thrice(angle, width)[at] if has_angle else np.full(len(at), np.nan),
            rate_deg_s=rate[at],
            accel_deg_s2=accel[at],
            rate_cmd_deg_s=rate_cmd[at],
            accel_cmd_deg_s2=accel_cmd[at],
            lead_deg=leads[0][at],
            lead_asked_deg=leads[1][at],
            temperature_c=channels.at(channel(joint, "temperature_c"), block_ns),
            state=state,
            free=free,
            engaged=word[at],
            engage_cmd=asked[at],
        ),
        fine,
    )


def _states(
    rate_box: Floats,
    word: Codes,
    asked: Codes,
    supports: tuple[int, int],
    fine: Fineness,
    at: NDArray[np.int64],
) -> tuple[Codes, Codes]:
    """Return each block's state, and whether it is free, over its filter's whole support.

    Held asks for word and command alike (where both are logged): between the two a
    drive may already push against the brake. And it asks for a box more than the
    support, for currents end a few rows after the word.
    """
    support, wide = supports
    known = np.isfinite(rate_box)
    moving = np.abs(rate_box[known])
    fast = float(np.quantile(moving[:: max(1, len(moving) // 20_000)], 0.98)) if len(moving) else 0
    still = max(5 * fine.rate_noise_deg_s, setting("still_share") * fast, 1e-9)
    support += 1 - support % 2
    wide += 1 - wide % 2
    filled = np.where(known, rate_box, 0.0)
    least = minimum_filter1d(filled, support, mode="nearest")[at]
    most = maximum_filter1d(filled, support, mode="nearest")[at]
    whole = minimum_filter1d(known.astype(np.int8), support, mode="nearest")[at] > 0
    either = np.maximum(word, asked)
    both = np.where(word < 0, asked, np.where(asked < 0, word, np.minimum(word, asked)))
    locked = minimum_filter1d(both, wide, mode="nearest")[at] == 1
    loose = maximum_filter1d(either, support, mode="nearest")[at] <= 0
    state = np.full(len(at), BETWEEN, dtype=np.int8)
    state[whole & loose & ((least > still) | (most < -still))] = SLIDING
    state[whole & loose & (most <= still) & (least >= -still)] = RESTING
    state[locked] = HELD
    return state, (whole & loose).astype(np.int8)


def _fineness(channels: Channels, joint: str, grid: _Grid, known: _Carried | None) -> Fineness:
    if known is not None and known.fineness is not None:
        return known.fineness
    width, sub_s = grid.width, grid.sub_s

    def of(quantity: str) -> tuple[float, float]:
        found = channels.numbers(channel(joint, quantity))
        y = found.values[:NOISE_ROWS]
        if quantity == "angle_deg":
            y = unwrapped(y)
        if len(y) < 8:
            return 0.0, 0.0
        step = np.diff(found.time_ns[: len(y)])
        starts = np.concatenate([[True], step > 3.5 * np.median(step)])
        return noise_of(y, starts), resolution(y)

    angle_noise, angle_step = of("angle_deg")
    current_noise, current_step = of("current_a")
    mean_noise = angle_noise / np.sqrt(grid.each * width)
    return Fineness(
        angle_noise,
        angle_step,
        current_noise,
        current_step,
        accel_noise_deg_s2=float(np.sqrt(6) * mean_noise / (width * sub_s) ** 2),
        rate_noise_deg_s=float(np.sqrt(2) * angle_noise / np.sqrt(grid.each) / (width * sub_s)),
    )


def _carry_on(
    carried: dict[str, _Carried],
    joint: str,
    angle: Floats,
    command: Floats,
    low: int,
    fine: Fineness,
) -> None:
    """Shift a piece's angle and command, in place, onto where the last piece left them."""
    before = carried.get(joint)
    anchors = before.anchors if before is not None else {}
    if before is not None and 0 <= before.index - low < len(angle):
        here = angle[before.index - low]
        if np.isfinite(here) and np.isfinite(before.angle_deg):
            angle += 360.0 * np.round((before.angle_deg - here) / 360.0)
        there = command[before.index - low]
        if np.isfinite(there) and np.isfinite(before.command_deg):
            command += before.command_deg - there
    known = np.flatnonzero(np.isfinite(angle) & np.isfinite(command))
    if not len(known):
        known = np.flatnonzero(np.isfinite(angle))
    if len(known):
        last = int(known[max(0, len(known) - 8)])
        carried[joint] = _Carried(
            low + last, float(angle[last]), float(command[last]), fine, anchors
        )
    else:
        carried[joint] = _Carried(-1, np.nan, np.nan, fine, anchors)


def _since_enabled(
    lead: Floats, code: Codes, anchors: dict[int, list[tuple[int, float]]], kind: int, low: int
) -> Floats:
    """Return the lead less what it was when the brake last went to released; else NaN."""
    free = code == 0 if (code >= 0).any() else np.ones(len(code), dtype=bool)
    known = np.isfinite(lead)
    start = free & ~np.concatenate([[False], free[:-1]])
    if not (code >= 0).any():
        start |= known & ~np.concatenate([[False], known[:-1]])
    before = [a for a in anchors.get(kind, []) if a[0] <= low]
    if before and len(start) and free[0]:
        start[0] = False
    at = np.flatnonzero(start)
    last = np.searchsorted(at, np.arange(len(lead)), side="right") - 1
    values = np.where(known[at], lead[at], np.nan) if len(at) else np.zeros(0)
    first = before[-1][1] if before else np.nan
    anchor = np.where(last >= 0, np.append(values, first)[last], first)
    gone = np.cumsum(~known)
    lost = gone - np.where(last >= 0, np.append(gone[at], 0)[last], 0)
    out: Floats = np.where(free & (lost == 0), lead - anchor, np.nan)
    anchors[kind] = [*before, *((low + int(k), float(v)) for k, v in zip(at, values, strict=True))]
    return out


class _Rows:
    """Channels brought to the grid's instants; the search is done once a stream."""

    def __init__(self, channels: Channels, times: NDArray[np.int64], each: int) -> None:
        self.channels, self.times, self.each = channels, times, each
        self._found: dict[tuple[int, int, int], tuple[NDArray[np.intp], Floats, Flags]] = {}

    def numbers(self, name: str, *, unwrap: bool = False) -> Floats | None:
        """Return a channel at the fine instants; None when it was not logged.

        Values are interpolated over at most `CARRY_STEPS` of the channel's own steps.
        """
        found = self.channels.numbers(name)
        if not len(found.values):
            return None
        left, share, inside = self._places(found.time_ns)
        values = unwrapped(found.values) if unwrap else found.values
        low = values[left]
        out: Floats = low + (values[np.minimum(left + 1, len(values) - 1)] - low) * share
        if not inside.all():
            out[~inside] = np.nan
        return out

    def means(self, name: str, *, unwrap: bool = False) -> Floats:
        """Return a channel's sub-block means, NaN where it was not logged."""
        found = self.numbers(name, unwrap=unwrap)
        if found is None:
            return np.full(len(self.times) // self.each, np.nan)
        return _means(found, self.each)

    def codes(self, name: str, sub_ns: NDArray[np.int64]) -> Codes:
        """Return a switch at the sub-blocks' middles, -1 where unknown."""
        return self.channels.codes(name, sub_ns)

    def _places(self, time_ns: NDArray[np.int64]) -> tuple[NDArray[np.intp], Floats, Flags]:
        key = (len(time_ns), int(time_ns[0]), int(time_ns[len(time_ns) // 2]))
        if key not in self._found:
            after = np.searchsorted(time_ns, self.times, side="right")
            left = np.maximum(after - 1, 0)
            right = np.minimum(after, len(time_ns) - 1)
            step = time_ns[right] - time_ns[left]
            age = self.times - time_ns[left]
            share = np.divide(age, step, out=np.zeros(len(age)), where=step > 0)
            usual = float(np.median(np.diff(time_ns[:20_000]))) if len(time_ns) > 1 else 0.0
            inside = (after > 0) & (
                (age == 0) | ((after < len(time_ns)) & (step <= CARRY_STEPS * usual))
            )
            self._found[key] = (left, share, inside)
        return self._found[key]


def _means(values: Floats, each: int) -> Floats:
    out: Floats = values.reshape(-1, each).mean(axis=1) if each > 1 else values.astype(np.float64)
    return out


def _integral(speed: Floats, step_s: float, each: int) -> Floats:
    """Return the mean of a rate's integral over each sub-block; NaN where it is not known."""
    known = np.isfinite(speed)
    total = np.cumsum(np.where(known, speed, 0.0)) * step_s
    total -= 0.5 * step_s * np.where(known, speed, 0.0)
    return _means(np.where(known, total, np.nan), each)


def _box(values: Floats, width: int) -> Floats:
    """Return the centred mean over ``width`` values, NaN where one of them is not known."""
    if width == 1:
        return values
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    half = width // 2
    out = np.full(len(values), np.nan)
    if len(values) >= width:
        out[half : len(values) - half] = (sums[width:] - sums[:-width]) / width
    if not known.all():
        gone = np.concatenate([[0], np.cumsum(~known)])
        bad = np.ones(len(values), dtype=bool)
        if len(values) >= width:
            bad[half : len(values) - half] = (gone[width:] - gone[:-width]) > 0
        out[bad] = np.nan
    return out


def _thrice(values: Floats, width: int) -> Floats:
    offset = values[np.isfinite(values)][:1]
    base = float(offset[0]) if len(offset) else 0.0
    return _box(_box(_box(values - base, width), width), width) + base


def _lag(values: Floats, width: int, sub_s: float) -> Floats:
    """Return the mean rate over ``width`` sub-blocks, centred on a sub-block.

    The lag is odd and would fall between two: the mean of both neighbours is taken.
    """
    out = np.full(len(values), np.nan)
    if width == 1:
        if len(values) > 2:
            out[1:-1] = (values[2:] - values[:-2]) / (2 * sub_s)
        return out
    up, down = (width + 1) // 2, (width - 1) // 2
    if len(values) > 2 * up:
        middle = slice(up, len(values) - up)

        def at(shift: int) -> Floats:
            return values[up + shift : len(values) - up + shift]

        out[middle] = (at(up) - at(-down) + at(down) - at(-up)) / (2 * width * sub_s)
    return out


def _second(box: Floats, width: int, sub_s: float) -> Floats:
    out = np.full(len(box), np.nan)
    if len(box) > 2 * width:
        out[width:-width] = (box[2 * width :] - 2 * box[width:-width] + box[: -2 * width]) / (
            width * sub_s
        ) ** 2
    return out


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
    )


def _nanoseconds(instant: datetime) -> int:
    return (instant - _EPOCH) // timedelta(microseconds=1) * 1000
