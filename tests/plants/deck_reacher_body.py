"""Larkspur's body on a ship's deck: masses, mass matrix, and what weight, sea and wind ask.

All vectors are in the deck's frame (x to port of the arm's zero, z out of the deck); arrays
are (sessions, links, 3). The deck turns and heaves, so every link feels weight along a turning
direction, the deck's angular acceleration, and its own swing; no channel of the log tells of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

JOINTS = ("SLEW", "LUFF", "UROLL", "ELBOW", "FROLL", "NOD", "TWIST")
AXES = "zyzyzyz"
# metres from the frame before to the joint, all joints at zero: the arm stands upright
STEPS = np.array([0.60, 0.45, 1.10, 1.10, 0.95, 0.85, 0.35])
TIP_M, LOAD_M = 0.30, 0.25
# name-plate: mass, centre above the joint, centre aside (x), radii of gyration across and along
_PLATE = """
118 0.28 0.00 0.26 0.22; 64 0.52 0.03 0.36 0.14; 57 0.50 0.00 0.35 0.13; 39 0.44 -0.04 0.31 0.11;
31 0.41 0.00 0.27 0.09; 17 0.19 0.02 0.13 0.08; 15 0.16 0.00 0.12 0.09"""
PLATE = np.array([[float(x) for x in row.split()] for row in _PLATE.split(";")])
SAIL_M2 = np.array([0.10, 0.30, 0.26, 0.22, 0.17, 0.09, 0.08])  # drag area of each link
G = 9.81
RIGHTING_M = np.array([-9.0, 2.4, 4.2])  # from the ship's axis of roll to the arm's foot
_UNIT = {a: np.eye(3)["xyz".index(a)] for a in "xyz"}


@dataclass(frozen=True)
class Body:
    """Seven links as they really are."""

    mass: Array
    centre: Array
    inertia: Array
    """(7, 3, 3) about the centre, in the link's own frame."""


def plate_inertia(k: int) -> Array:
    """Return a link's principal moments about its centre, by the name-plate."""
    mass, _, _, across, along = PLATE[k]
    out: Array = mass * np.array([across**2, across**2, along**2])
    return out


def make_body(scale: Array, shift_m: Array) -> Body:
    """Return the links, their masses scaled and their centres moved along the link."""
    centre = np.stack([PLATE[:, 2], np.zeros(7), PLATE[:, 1] + shift_m], axis=1)
    tensors = np.stack([np.diag(plate_inertia(k)) for k in range(7)])
    return Body(PLATE[:, 0] * scale, centre, tensors * scale[:, None, None])


@dataclass(frozen=True)
class Deck:
    """How the deck stands, turns and heaves, and the wind, at one instant of every session."""

    down: Array
    """Weight's acceleration in the deck's frame."""
    turn: Array
    turn_growth: Array
    lift: Array
    """Acceleration of the arm's foot."""
    wind: Array
    """Air's speed over the deck, m/s, as a vector."""


def still(sessions: int) -> Deck:
    """Return a deck in harbour: level, at rest, no wind."""
    none = np.zeros((sessions, 3))
    return Deck(none - [0.0, 0.0, G], none, none, none, none)


def _cross(a: Array, b: Array) -> Array:
    out: Array = np.empty(a.shape)
    out[..., 0] = a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1]
    out[..., 1] = a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2]
    out[..., 2] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def frames(q: Array) -> tuple[Array, Array, Array]:
    """Return each moving frame's origin, its axis of turning and its orientation."""
    sessions = len(q)
    at, axis = np.zeros((sessions, 7, 3)), np.zeros((sessions, 7, 3))
    facing = np.zeros((sessions, 7, 3, 3))
    turned, here = np.broadcast_to(np.eye(3), (sessions, 3, 3)), np.zeros((sessions, 3))
    cos, sin = np.cos(q), np.sin(q)
    for k, letter in enumerate(AXES):
        here = here + turned[:, :, 2] * STEPS[k]
        axis[:, k] = turned @ _UNIT[letter]
        own = np.zeros((sessions, 3, 3))
        i, j = ((0, 1), (2, 0))[letter == "y"]
        fixed = 3 - i - j
        own[:, fixed, fixed] = 1.0
        own[:, i, i] = own[:, j, j] = cos[:, k]
        own[:, i, j], own[:, j, i] = -sin[:, k], sin[:, k]
        turned = turned @ own
        at[:, k], facing[:, k] = here, turned
    return at, axis, facing


def loaded(body: Body, load_kg: Array) -> tuple[Array, Array, Array]:
    """Return masses, centres and inertias of the links, the last with its payload."""
    sessions = len(load_kg)
    mass = np.tile(body.mass, (sessions, 1))
    centre = np.tile(body.centre, (sessions, 1, 1))
    inertia = np.tile(body.inertia, (sessions, 1, 1, 1))
    tool, held = body.centre[6], np.array([0.0, 0.0, TIP_M + LOAD_M])
    whole = body.mass[6] + load_kg
    middle = (body.mass[6] * tool + load_kg[:, None] * held) / whole[:, None]
    for part, where in ((np.full(sessions, body.mass[6]), tool), (load_kg, held)):
        arm = where - middle
        square = np.einsum("si,si->s", arm, arm)[:, None, None] * np.eye(3)
        inertia[:, 6] += part[:, None, None] * (square - arm[:, :, None] * arm[:, None, :])
    inertia[:, 6] += (load_kg * 0.16**2)[:, None, None] * np.eye(3)
    mass[:, 6], centre[:, 6] = whole, middle
    return mass, centre, inertia


@dataclass(frozen=True)
class Pose:
    """Where the links are and what they weigh, at one instant of every session."""

    at: Array
    axis: Array
    out: Array
    """From each joint to its link's centre."""
    mass: Array
    turned: Array
    """The links' inertias in the deck's frame."""


def pose_of(q: Array, body: Body, load_kg: Array) -> Pose:
    """Return the links at these angles."""
    at, axis, facing = frames(q)
    mass, centre, inertia = loaded(body, load_kg)
    turned = facing @ inertia @ facing.transpose(0, 1, 3, 2)
    return Pose(at, axis, (facing @ centre[..., None])[..., 0], mass, turned)


def mass_matrix(p: Pose) -> Array:
    """Return the inertias that joints feel of each other."""
    # by link and joint: how the link's centre moves with the joint, where the joint is before it
    before = np.tril(np.ones((7, 7)))[None, :, :, None]
    reach = (p.at + p.out)[:, :, None, :] - p.at[:, None, :, :]
    swing = _cross(np.broadcast_to(p.axis[:, None, :, :], reach.shape), reach) * before
    spin = p.axis[:, None, :, :] * before
    carried = spin @ p.turned
    heavy = p.mass[:, :, None, None] * swing
    both = heavy @ swing.transpose(0, 1, 3, 2) + carried @ spin.transpose(0, 1, 3, 2)
    out: Array = both.sum(axis=1)
    return out


def needed_torques(p: Pose, v: Array, deck: Deck) -> Array:
    """Return the torques that the joints need at no acceleration: weight, sea, swing, wind."""
    w, growth, pull = deck.turn, deck.turn_growth, deck.lift - deck.down
    here = np.zeros_like(w)
    ws, growths, pulls = (np.empty_like(p.at) for _ in range(3))
    for k in range(7):
        arm = p.at[:, k] - here
        pull = pull + _cross(growth, arm) + _cross(w, _cross(w, arm))
        own = p.axis[:, k] * v[:, k, None]
        growth = growth + _cross(w, own)
        w = w + own
        here = p.at[:, k]
        ws[:, k], growths[:, k], pulls[:, k] = w, growth, pull
    felt = pulls + _cross(growths, p.out) + _cross(ws, _cross(ws, p.out))
    speed = np.sqrt((deck.wind**2).sum(axis=1))[:, None, None]
    force = p.mass[..., None] * felt - 0.6 * SAIL_M2[:, None] * speed * deck.wind[:, None, :]
    rolled = (p.turned @ ws[..., None])[..., 0]
    moment = (p.turned @ growths[..., None])[..., 0] + _cross(ws, rolled)
    moment += _cross(p.at + p.out, force)
    # all that hangs beyond a joint, about that joint
    forces = force[:, ::-1].cumsum(axis=1)[:, ::-1]
    moments = moment[:, ::-1].cumsum(axis=1)[:, ::-1] - _cross(p.at, forces)
    out: Array = (p.axis * moments).sum(axis=2)
    return out


def tip_height(q: Array) -> Array:
    """Return how high the tool's tip stands over the deck."""
    at, _, facing = frames(np.atleast_2d(q))
    high: Array = at[:, 6, 2] + facing[:, 6, 2, 2] * TIP_M
    return high


@dataclass(frozen=True)
class Weather:
    """One session's sea and wind: sums of waves, list of the ship, gusts."""

    size: Array
    """(3, waves): roll and pitch (rad), heave (m)."""
    omega: Array
    phase: Array
    list_rad: Array
    wind: Array
    """(ticks, 3)"""

    def at(self, t_s: Array) -> tuple[Array, Array, Array, Array]:
        """Return weight's direction, turning, its growth, and lift at the foot, by instant."""
        angle = self.omega[..., None] * t_s + self.phase[..., None]
        wave, square = self.size[..., None], self.omega[..., None] ** 2
        lean = (wave * np.sin(angle)).sum(1)
        rate = (wave * self.omega[..., None] * np.cos(angle)).sum(1)
        surge = -(wave * square * np.sin(angle)).sum(1)
        roll, pitch = lean[0] + self.list_rad[0], lean[1] + self.list_rad[1]
        none = np.zeros_like(roll)
        x, y = np.sin(pitch), -np.sin(roll) * np.cos(pitch)
        down = G * np.stack([x, y, -np.cos(roll) * np.cos(pitch)], axis=1)
        turn, growth = (np.stack([s[0], s[1], none], axis=1) for s in (rate, surge))
        lift = np.stack([none, none, surge[2]], axis=1) + _cross(
            growth, np.broadcast_to(RIGHTING_M, growth.shape)
        )
        return down, turn, growth, lift


def make_weather(g: np.random.Generator, ticks: int, hz: float, rough: float) -> Weather:
    """Draw a session's weather: ``rough`` is 1 on a working day of middling swell."""
    spread = g.normal(0.0, 0.10, (3, 9))
    period = np.array([7.6, 5.4, 6.3])[:, None] * (1 + spread) * (1 + 0.05 * g.normal())
    weight = np.exp(-0.5 * (spread / 0.08) ** 2) + 0.08
    weight /= np.sqrt((weight**2).sum(1, keepdims=True) / 2)
    rms = rough * np.array([np.deg2rad(0.45), np.deg2rad(0.22), 0.05])
    mean, tau = g.uniform(1.5, 4.0) + 2.5 * rough, 5.0
    push = g.normal(0, 0.17 * mean * np.sqrt(2 / (tau * hz)), ticks)
    gust, now = np.empty(ticks), 0.0
    for k, kick in enumerate(push):
        now += kick - now / (tau * hz)
        gust[k] = now
    away = g.uniform(0, 2 * np.pi) + 0.25 * np.sin(np.arange(ticks) / hz / 240)
    blow = (mean + gust)[:, None] * np.stack([np.cos(away), np.sin(away), 0 * away], axis=1)
    phase = g.uniform(0, 2 * np.pi, (3, 9))
    lean = np.deg2rad(g.normal(0, (0.25, 0.15)))
    return Weather(rms[:, None] * weight, 2 * np.pi / period, phase, lean, blow)
