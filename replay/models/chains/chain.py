"""A rigid chain identified from the logs: joints are lines in space, links are masses.

Joint k is a line (direction s_k, point p_k) at zero angles, where all link frames
coincide, so that its twist is S_k = (s_k, p_k x s_k) (product of exponentials:
Brockett 1984; dynamics: Park, Bobrow & Ploen, IJRR 14, 1995). Torques are linear in
each link's mass, first moments and inertia; a payload has ten figures a kilogram of
its own at each end. From the other base end the same lines and links are passed in
reverse. Masses and lengths are free up to a scale and a frame: they are never shown.

Twists are (angular, linear) in rad and length units; arrays have a row an instant.

Longer than 245 lines because the walk outward, the columns and the torques are one
recursion, read together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.models.residuals import Floats, Index

G_M_S2 = 9.81
TEN = 10
_TURN = ("axis", "cos", "sin", "shift")


@dataclass(frozen=True, slots=True)
class State:
    """Instants of a whole arm: angle, rate, acceleration (n, k) in rad; base B or A; payload."""

    angle: Floats
    rate: Floats
    accel: Floats
    base_b: Floats
    payload_kg: Floats

    def __len__(self) -> int:
        return len(self.angle)

    def rows(self, which: Index) -> State:
        """Return some instants."""
        return State(
            self.angle[which],
            self.rate[which],
            self.accel[which],
            self.base_b[which],
            self.payload_kg[which],
        )


@dataclass(frozen=True, slots=True)
class Chain:
    """Lines (k, 3) each, link figures, gravity.

    ``gravity`` is (2, 3), m/s^2: the pull's reaction, upward, in the frame that all links
    share at zero angles, standing on end A and on end B; zeros where there is none. How
    the arm stands on one end is the frame's choice, how on the other is learned.

    ``links`` is (k + 1, 10): what lies before joint 1, after each joint; ``payload``
    is (2, 10) a kilogram, at the tip with base A and with base B. ``gain`` (k,) turns
    torque into ampere.
    """

    direction: Floats
    point: Floats
    links: Floats
    payload: Floats
    gain: Floats
    gravity: Floats

    @property
    def joints(self) -> int:
        """How many joints it has."""
        return len(self.gain)


def cross(a: Floats, b: Floats) -> Floats:
    """Return the cross product of (3, n) columns: `numpy.cross` is several times slower."""
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    np.multiply(a[1], b[2], out=out[0])
    np.multiply(a[2], b[0], out=out[1])
    np.multiply(a[0], b[1], out=out[2])
    out[0] -= a[2] * b[1]
    out[1] -= a[0] * b[2]
    out[2] -= a[1] * b[0]
    return out


@dataclass(frozen=True, slots=True)
class _Step:
    """One joint's turn (axis, cosine, sine, shift), its twist, the link's motion; (3, n)."""

    axis: Floats
    cos: Floats
    sin: Floats
    shift: Floats
    twist_v: Floats
    w: Floats
    alpha: Floats
    pull: Floats

    def outward(self, x: Floats) -> Floats:
        """Return a vector of the frame before in the frame after (Rodrigues)."""
        along = (1 - self.cos) * (self.axis * x).sum(axis=0)
        out: Floats = self.cos * x - self.sin * cross(self.axis, x) + along * self.axis
        return out

    def inward(self, x: Floats) -> Floats:
        """Return a vector of the frame after in the frame before."""
        along = (1 - self.cos) * (self.axis * x).sum(axis=0)
        out: Floats = self.cos * x + self.sin * cross(self.axis, x) + along * self.axis
        return out


def _walk(
    direction: Floats, point: Floats, state: State, gravity: Floats, *, base_b: bool
) -> list[_Step]:
    """Return the links' motion outward from a base; lines are (k, 3) or (n, k, 3)."""
    n, count = state.angle.shape
    order = range(count - 1, -1, -1) if base_b else range(count)
    side = -1.0 if base_b else 1.0
    w, v, alpha = np.zeros((3, n)), np.zeros((3, n)), np.zeros((3, n))
    a = np.tile(gravity[int(base_b)][:, None], (1, n))
    steps = []
    for k in order:
        s = np.ascontiguousarray(np.broadcast_to(direction[..., k, :], (n, 3)).T) * side
        p = np.ascontiguousarray(np.broadcast_to(point[..., k, :], (n, 3)).T)
        q = state.angle[:, k]
        c, d = np.cos(q), np.sin(q)
        along = (1 - c) * (s * p).sum(axis=0)
        shift = p - (c * p + d * cross(s, p) + along * s)
        sv = cross(p, s)
        step = _Step(s, c, d, shift, sv, w, alpha, a)
        v = step.outward(v + cross(w, shift))
        w0 = step.outward(w)
        a = step.outward(a + cross(alpha, shift))
        alpha = step.outward(alpha)
        rate, accel = state.rate[:, k], state.accel[:, k]
        turning = s * rate
        alpha = alpha + cross(w0, turning) + s * accel
        w = w0 + turning
        v = v + sv * rate
        a = a + cross(v, turning) + cross(w, sv * rate) + sv * accel
        steps.append(_Step(s, c, d, shift, sv, w, alpha, a + cross(w, v)))
    return steps


def _skew(a: Floats) -> Floats:
    """Return (n, 3, 3) cross-product matrices of (3, n)."""
    out = np.zeros((a.shape[1], 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -a[2], a[1], -a[0]
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = a[2], -a[1], a[0]
    return out


def _inertia(a: Floats) -> Floats:
    """Return (n, 3, 6) that gives I a from xx, yy, zz, xy, xz, yz."""
    x, y, z = a
    out = np.zeros((a.shape[1], 3, 6))
    out[:, 0, 0], out[:, 0, 3], out[:, 0, 4] = x, y, z
    out[:, 1, 1], out[:, 1, 3], out[:, 1, 5] = y, x, z
    out[:, 2, 2], out[:, 2, 4], out[:, 2, 5] = z, x, y
    return out


def _wrench_columns(step: _Step) -> Floats:
    """Return (n, 6, 10): moment and force of a link about its frame, by its ten figures."""
    out = np.zeros((step.w.shape[1], 6, TEN))
    spin, change = _skew(step.w), _skew(step.alpha)
    out[:, 3:, 0] = step.pull.T
    out[:, 3:, 1:4] = change + spin @ spin
    out[:, :3, 1:4] = -_skew(step.pull)
    out[:, :3, 4:] = _inertia(step.alpha) + spin @ _inertia(step.w)
    return out


def _wrench(step: _Step, ten: Floats) -> tuple[Floats, Floats]:
    """Return moment and force (3, n) of a link with these figures, (10, 1) or (10, n)."""
    mass, first = ten[0], ten[1:4]
    xx, yy, zz, xy, xz, yz = ten[4:]
    w, alpha, pull = step.w, step.alpha, step.pull

    def turned(x: Floats) -> Floats:
        out = np.empty_like(x)
        out[0] = xx * x[0] + xy * x[1] + xz * x[2]
        out[1] = xy * x[0] + yy * x[1] + yz * x[2]
        out[2] = xz * x[0] + yz * x[1] + zz * x[2]
        return out

    force = mass * pull + cross(alpha, first) + cross(w, cross(w, first))
    moment = turned(alpha) + cross(w, turned(w)) + cross(first, pull)
    return moment, force


def _bodies(chain_joints: int, *, base_b: bool) -> list[int]:
    """Return the link after each joint in walking order; the payload rides on the last."""
    return list(range(chain_joints - 1, -1, -1)) if base_b else list(range(1, chain_joints + 1))


def torques(chain: Chain, state: State, lines: tuple[Floats, Floats] | None = None) -> Floats:
    """Return joint torques (n, k), without the gain; ``lines`` may differ by row, (n, k, 3)."""
    direction, point = lines if lines is not None else (chain.direction, chain.point)
    out = np.zeros(state.angle.shape)
    count = chain.joints
    for base_b in (False, True):
        which = np.flatnonzero(state.base_b == base_b)
        if not len(which):
            continue
        part = state.rows(which)
        own = [d if d.ndim == 2 else d[which] for d in (direction, point)]
        steps = _walk(own[0], own[1], part, chain.gravity, base_b=base_b)
        order = list(range(count - 1, -1, -1) if base_b else range(count))
        bodies = _bodies(count, base_b=base_b)
        moment = force = np.zeros((3, len(which)))
        for at in range(count - 1, -1, -1):
            step = steps[at]
            ten: Floats = chain.links[bodies[at]][:, None]
            if at == count - 1:
                ten = ten + part.payload_kg[None, :] * chain.payload[int(base_b)][:, None]
            m, f = _wrench(step, ten)
            moment, force = moment + m, force + f
            out[which, order[at]] = (moment * step.axis + force * step.twist_v).sum(axis=0)
            force = step.inward(force)
            moment = step.inward(moment) + cross(step.shift, force)
    return out


def columns(direction: Floats, point: Floats, state: State, gravity: Floats) -> Floats:
    """Return (n, k, 10 (k + 3)): torque by every figure: links, payload on A, payload on B."""
    n, count = state.angle.shape
    out = np.zeros((n, count, TEN * (count + 3)))
    for base_b in (False, True):
        which = np.flatnonzero(state.base_b == base_b)
        if not len(which):
            continue
        part = state.rows(which)
        steps = _walk(direction, point, part, gravity, base_b=base_b)
        order = list(range(count - 1, -1, -1)) if base_b else list(range(count))
        bodies = _bodies(count, base_b=base_b)
        twists = np.zeros((6, len(which), 0))
        for at, step in enumerate(steps):
            if at:
                moved = twists.reshape(6, -1)
                k = twists.shape[2]
                wide = _Step(
                    *(np.repeat(getattr(step, f), k, axis=-1) for f in _TURN), *[moved[:3]] * 4
                )
                w = wide.outward(moved[:3])
                v = wide.outward(moved[3:] + cross(moved[:3], wide.shift))
                twists = np.concatenate([w, v]).reshape(6, -1, k)
            own = np.concatenate([step.axis, step.twist_v])[:, :, None]
            twists = np.concatenate([twists, own], axis=2)
            block = np.transpose(twists, (1, 2, 0)) @ _wrench_columns(step)
            to = slice(TEN * bodies[at], TEN * bodies[at] + TEN)
            for j in range(at + 1):
                out[which, order[j], to] += block[:, j]
            if at == count - 1:
                first = TEN * (count + 1 + int(base_b))
                for j in range(count):
                    out[which, order[j], first : first + TEN] += (
                        block[:, j] * part.payload_kg[:, None]
                    )
    return out


def chain_of(
    direction: Floats, point: Floats, figures: Floats, gain: Floats, gravity: Floats
) -> Chain:
    """Put a chain together from the linear figures in the order of `columns`."""
    count = len(gain)
    table = figures.reshape(count + 3, TEN)
    return Chain(direction, point, table[: count + 1], table[count + 1 :], gain, gravity)


def unit_rows(vectors: Floats) -> Floats:
    """Return rows scaled to length one."""
    out: Floats = vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12)
    return out


def random_lines(count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return lines along x, y or z at random places: where a search may start."""
    axes = np.eye(3)[rng.integers(0, 3, count)]
    axes = axes + 0.05 * rng.standard_normal((count, 3))
    return unit_rows(axes), rng.standard_normal((count, 3))


def weightless() -> Floats:
    """Return gravity (2, 3) of a place where there is none."""
    return np.zeros((2, 3))


def gravity_torques(chain: Chain, state: State) -> Floats:
    """Return (3, n, k): torques by an m/s^2 along x, y, z on end B; none on end A."""
    rest = np.zeros_like(state.angle)
    still = State(state.angle, rest, rest, state.base_b, state.payload_kg)
    each = np.eye(3)[:, None] * [[0.0], [1.0]]
    return np.stack([torques(replace(chain, gravity=pull), still) for pull in each])


def joined(states: Sequence[State]) -> State:
    """Put instants of several sessions together."""
    return State(
        np.concatenate([s.angle for s in states]),
        np.concatenate([s.rate for s in states]),
        np.concatenate([s.accel for s in states]),
        np.concatenate([s.base_b for s in states]),
        np.concatenate([s.payload_kg for s in states]),
    )
