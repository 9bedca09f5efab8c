"""What an event looks like, in amperes, degrees and seconds.

Each explanation (more friction, an offset, a gain, a wrong load) predicts a
shape of the remainder in motion: friction turns its sign with the
direction, as a constant or as a share of the friction that was there, a sensor's
offset does not (and is there at rest as well), a sensor's gain grows with the
whole current, a wrong load goes with the load. The share
of the event's remainder that a shape takes away is the evidence for it, and
the runner-up's share the evidence against.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.checks.loads import CHANCE, MOST_Z, grasp, load_fits, load_slopes
from replay.checks.releases import Stretches, stretches_round
from replay.models.bins import HELD, MOVING, Floats
from replay.models.expected import ExpectedCurrent
from replay.models.spreads import UNSETTLED_S
from replay.models.symptoms.current import stop_go
from replay.models.symptoms.heaves import heaves
from replay.models.symptoms.pushes import cruising, excess
from replay.models.trace import Trace, rolling_mean
from replay.models.unit import UnitModel

Mask = npt.NDArray[np.bool_]

SHORT = 0.2
"""A joint that does this share less than commanded is behind its command."""

BEHIND_S = 0.5
BEFORE_S, FAR_S = 4.0, 30.0
RESTS_S = 1.0
BESIDE_S = 6.0
NEAR_S = 1.0
NONE = np.empty(0)


@dataclass(slots=True)
class Evidence:
    """Measured over one event; NaN where it cannot be measured."""

    seconds: float
    moving_s: float
    drag_a: float
    """Mean current against the motion beyond the expected, A."""
    forward_a: float
    backward_a: float
    resting_a: float
    """Current at rest, brake engaged if it was, beyond that of the session elsewhere, A."""
    beside_held_a: float
    """The same under the brake within seconds before or after the event, A; NaN: not held then."""
    held_s: float
    """How long the joint stood with its brake engaged; 0: it stood released, if at all."""
    expected_a: float
    """Median size of the expected current while moving, A."""
    peak_a: float
    shares: dict[str, float]
    """What each explanation takes away in motion, as a share of the best one's."""
    strength: float
    """What the best one takes away, in squared spreads."""
    tracking: float
    """Median of (commanded less measured rate) / commanded, while behind; else overall."""
    behind_s: float
    """How long the joint did much less than commanded, s."""
    push_a: float
    """Mean current in the commanded direction beyond what the commanded rate
    needs while the joint is behind, A."""
    push_z: float
    rate_ratio: float
    """Spread of the rate inside bins, against the rest of the session."""
    current_ratio: float
    turns: float
    """Stops and starts within 6 s that no command asked for."""
    usual_turns: float
    """As many are usual: elsewhere in the session, or in the unit's sessions."""
    commanded: bool
    """The log has a commanded rate."""
    release: Stretches
    """How the drag stands in the releases round the event."""
    temperature_c: float
    speed_deg_s: float
    astray_deg: float
    """Travel by the angle less travel by the logged rate, deg."""
    astray_before: float
    """How far they parted in the seconds before the event, in what they usually do."""
    payload_kg: float
    """Payload in the log; NaN when the log has none."""
    grasp: float
    """Motion that event and payload share, over the motion of either; 0 without payload."""
    load_with_a: float
    """Current in step with the load while the payload is aboard, A per typical load."""
    load_without_a: float
    load_fits: float
    """Share of the event that the load explains at the slope which the rest of the session
    shows; 0 where it shows none."""
    pushed_held_s: float
    """How long motion was commanded while the brake was reported engaged, s."""
    pushed_a: float
    """Largest size of the current meanwhile, A."""
    freed_s: float
    """From the event's end to the next release of the brake, s; NaN: none follows."""
    heaves: float
    """Swings of the speed far below and above the standing command within 6 s."""
    usual_heaves: float
    swing: tuple[float, float]
    """How low and how high it swings, as shares of the command."""


def gather(trace: Trace, start_s: float, end_s: float, unit: UnitModel) -> Evidence:
    """Measure everything that tells explanations apart."""
    model = unit.model
    bins = trace.bins
    inside = (bins.end_s >= start_s) & (bins.start_s <= end_s)
    known = np.isfinite(trace.rest)
    moving = inside & (bins.motion == MOVING) & known
    resting = inside & _at_rest(trace) & known
    held = resting & (bins.motion == HELD)
    held_s = float(trace.seconds[held].sum())
    if held_s >= RESTS_S:
        resting = held  # without drive, friction leaves no current behind
    else:
        held_s = 0.0
    side = trace.side
    rest = _against_session(trace, inside)
    forward, backward = moving & (side > 0), moving & (side < 0)
    behind, lag = _behind(trace, inside)
    outside = ~inside & (bins.motion == MOVING)
    more, sd = excess(trace, np.flatnonzero(behind), model) if behind.any() else (NONE, NONE)
    with_a, without_a = load_slopes(trace)
    turns, usual_turns = _turns(trace, start_s, end_s)
    parted, usually = _parted_before(trace, start_s)
    shares, strength = _shares(trace, moving & (trace.sd > 0), model)
    pushed_s, pushed_a = _pushed_held(trace, start_s, end_s)
    heaves, usual_heaves, swing = _heaves(trace, start_s, end_s)
    return Evidence(
        seconds=end_s - start_s,
        moving_s=float(trace.seconds[moving].sum()),
        drag_a=_mean(trace.rest[moving] * side[moving]),
        forward_a=_mean(trace.rest[forward]),
        backward_a=_mean(trace.rest[backward]),
        resting_a=_median(rest[resting]),
        beside_held_a=_beside_held(rest, trace, start_s, end_s),
        held_s=held_s,
        expected_a=_median(np.abs(trace.expected[moving])),
        peak_a=float(np.nanmax(np.abs(trace.rest[inside])))
        if np.isfinite(trace.rest[inside]).any()
        else np.nan,
        shares=shares,
        strength=strength,
        tracking=lag,
        behind_s=float(trace.seconds[behind].sum()),
        push_a=_mean(more),
        push_z=_mean(more / sd),
        rate_ratio=_ratio(bins.rate_sd, inside & (bins.motion == MOVING), outside),
        current_ratio=_ratio(bins.current_sd, inside & (bins.motion == MOVING), outside),
        turns=turns,
        usual_turns=max(usual_turns, unit.nominal.turns),
        commanded=bool(np.isfinite(bins.rate_cmd).any()),
        release=stretches_round(trace, start_s, end_s),
        temperature_c=_median(bins.temperature[inside]),
        speed_deg_s=_median(np.abs(bins.rate[moving])),
        astray_deg=float(np.sum(bins.astray[inside])),
        astray_before=parted / usually if usually > 0 else 0.0,
        payload_kg=_median(bins.payload[inside]),
        grasp=grasp(trace, inside),
        load_with_a=with_a,
        load_without_a=without_a,
        load_fits=load_fits(trace, moving),
        pushed_held_s=pushed_s,
        pushed_a=pushed_a,
        freed_s=_until_free(trace, end_s),
        heaves=heaves,
        usual_heaves=usual_heaves,
        swing=swing,
    )


def _pushed_held(trace: Trace, start_s: float, end_s: float) -> tuple[float, float]:
    """Return how long motion was commanded against an engaged brake, and the current, A."""
    bins = trace.bins
    near = (bins.end_s >= start_s - NEAR_S) & (bins.start_s <= end_s + NEAR_S)
    asked = near & (np.nan_to_num(bins.engaged) == 1.0) & (np.abs(np.nan_to_num(bins.rate_cmd)) > 0)
    amps = _finite(np.abs(bins.current[asked]))
    return float(trace.seconds[asked].sum()), float(amps.max()) if amps.size else float("nan")


def _until_free(trace: Trace, end_s: float) -> float:
    """Return the time from the event's end to the next release of the brake, s."""
    bins = trace.bins
    engaged = np.nan_to_num(bins.engaged, nan=0.0) == 1.0
    released = np.flatnonzero(engaged[:-1] & ~engaged[1:]) + 1
    later = bins.start_s[released][bins.start_s[released] >= end_s - 0.2]
    return float(later[0] - end_s) if later.size else float("nan")


def _heaves(trace: Trace, start_s: float, end_s: float) -> tuple[float, float, tuple[float, float]]:
    """Return swings of the speed round its command in the event and elsewhere, and their size."""
    found = heaves(trace)
    at = trace.bins.end_s[found.rows]
    near = (at >= start_s) & (at <= end_s + 3.0)
    far = (at < start_s - FAR_S) | (at > end_s + FAR_S)
    if not near.any():
        return 0.0, 0.0, (float("nan"), float("nan"))
    return (
        float(found.many[near].max()),
        float(np.quantile(found.many[far], 0.98)) if far.any() else 0.0,
        (float(np.quantile(found.low[near], 0.1)), float(np.quantile(found.high[near], 0.9))),
    )


def _against_session(trace: Trace, inside: Mask) -> Floats:
    """Return the remainder; at rest less what the session shows at rest elsewhere, A."""
    rest = trace.rest.copy()
    motion = trace.bins.motion
    still = _at_rest(trace)
    for code in np.unique(motion[still]):
        mine = still & (motion == code)
        usual = _median(rest[mine & ~inside])
        if np.isfinite(usual):
            rest[mine] -= usual
    return rest


def _beside_held(rest: Floats, trace: Trace, start_s: float, end_s: float) -> float:
    """Return the current left under the brake beside an event, the larger of both sides, A."""
    bins = trace.bins
    held = (bins.motion == HELD) & trace.seen & (bins.settled >= UNSETTLED_S)
    sides = (
        held & (bins.start_s > end_s) & (bins.start_s < end_s + BESIDE_S),
        held & (bins.end_s < start_s) & (bins.end_s > start_s - BESIDE_S),
    )
    found = [_median(rest[side]) for side in sides if trace.seconds[side].sum() >= RESTS_S]
    return max(found, key=abs, default=float("nan"))


def _at_rest(trace: Trace) -> Mask:
    """Return the bins at rest whose current has settled since the joint stopped."""
    bins = trace.bins
    settled = (bins.motion == HELD) | (bins.settled >= UNSETTLED_S)
    return np.asarray((bins.motion != MOVING) & settled & trace.seen)


def _own_friction(trace: Trace, rows: Mask, model: ExpectedCurrent) -> Floats:
    """Return the expected current less what speeding up, load and posture ask for, A."""
    part = trace.bins.take(np.flatnonzero(rows))
    given = model.posture_current(part)
    for name in ("accel", "accel_before", "load", "load_before"):
        known = np.isfinite(getattr(part, name))
        setattr(part, name, np.where(known, 0.0, np.nan))
    part.current = np.full(len(part), np.nan)  # no factor of the session is read off it
    expected, _, _ = model.predict(part)
    whole = trace.expected[rows]
    return np.where(np.isfinite(expected), expected - given, whole)


def _shares(trace: Trace, rows: Mask, model: ExpectedCurrent) -> tuple[dict[str, float], float]:
    """Return what explanations take away, as shares of the best, and what the best does."""
    if rows.sum() < 3:
        return {}, 0.0
    bins = trace.bins
    weight = np.minimum(trace.seconds[rows], 1.0) / trace.sd[rows] ** 2
    limit = MOST_Z * trace.sd[rows]
    left = np.clip(trace.rest[rows], -limit, limit)
    shapes: dict[str, Floats] = {
        "friction": trace.side[rows],
        "offset": np.ones(left.size),
        "gain": trace.expected[rows],
        "more friction": _own_friction(trace, rows, model),
    }
    load, accel = np.nan_to_num(bins.load[rows]), np.nan_to_num(bins.accel[rows])
    if np.ptp(load) > 0:
        shapes["load"] = load
    elif np.ptp(accel) > 0:
        shapes["load"] = accel
    explained = {}
    for name, shape in shapes.items():
        energy = float(np.sum(weight * shape * shape))
        along = float(np.sum(weight * shape * left))
        explained[name] = along * along / energy if energy > 0 else 0.0
    explained["friction"] = max(explained["friction"], explained.pop("more friction"))
    best = max(explained.values())
    return {name: value / (best + CHANCE) for name, value in explained.items()}, best


def _behind(trace: Trace, inside: Mask) -> tuple[Mask, float]:
    """Return the bins in which the joint does much less than commanded, and by what share."""
    bins = trace.bins
    commanded = inside & cruising(trace)
    with np.errstate(divide="ignore", invalid="ignore"):
        lag = (bins.rate_cmd - bins.rate) / bins.rate_cmd
    behind = commanded & (lag > SHORT)
    if trace.seconds[behind].sum() >= BEHIND_S:
        return behind, _median(lag[behind])
    return np.zeros_like(behind), _median(lag[commanded])


def _turns(trace: Trace, start_s: float, end_s: float) -> tuple[float, float]:
    """Return the most uncommanded stops and starts within 6 s, in the event and elsewhere.

    Elsewhere: what all but one in 50 windows stay below; all, if no command is logged.
    """
    for found in stop_go(trace):
        at = trace.bins.end_s[found.rows]
        near = (at >= start_s) & (at <= end_s + found.window_s / 2)
        far = (at < start_s - found.window_s) | (at > end_s + found.window_s)
        inside, outside = _finite(found.value[near]), _finite(found.value[far])
        # without a command every stop counts, those of the programme as well
        most = 0.98 if np.isfinite(trace.bins.rate_cmd).any() else 1.0
        return (
            float(inside.max()) if inside.size else 0.0,
            float(np.quantile(outside, most)) if outside.size else 0.0,
        )
    return 0.0, 0.0


def _parted_before(trace: Trace, start_s: float) -> tuple[float, float]:
    """Return how far angle and rate parted in the seconds before, and usually, deg."""
    bins = trace.bins
    rows = np.flatnonzero(np.isfinite(bins.astray) & (bins.motion != HELD))
    if rows.size < 3:
        return float("nan"), float("nan")
    seconds = trace.seconds[rows]
    parted = BEFORE_S * np.abs(rolling_mean(bins.astray[rows] / seconds, seconds, BEFORE_S))
    at = bins.end_s[rows]
    last = np.flatnonzero((at <= start_s) & (at > start_s - 3 * BEFORE_S))
    far = _finite(parted[np.abs(at - start_s) > FAR_S])
    return (
        float(np.nan_to_num(parted[last[-1]])) if last.size else 0.0,
        float(np.quantile(far, 0.99)) if far.size else float("nan"),
    )


def _finite(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _mean(values: Floats) -> float:
    good = _finite(values)
    return float(np.mean(good)) if good.size else float("nan")


def _median(values: Floats) -> float:
    good = _finite(values)
    return float(np.median(good)) if good.size else float("nan")


def _ratio(values: Floats, inside: Mask, outside: Mask) -> float:
    a, b = _mean(values[inside]), _median(values[outside])
    return a / b if b > 0 else float("nan")
