"""How well a load is known: the noise of the angles, differentiated twice, times the inertia."""

from __future__ import annotations

import numpy as np

from replay.arm import has_masses, loads
from replay.signals.carry import Nanoseconds
from replay.signals.postures import Postures
from replay.statistics.noise import Array

INERTIA_INSTANTS = 40
"""Instants of a span at which the inertia behind an error is computed; between them a straight
line is drawn: it follows the posture, which changes slowly."""

WEIGHTLESS = (0.0, 0.0, 0.0)


def load_errors_nm(postures: Postures, time_ns: Nanoseconds) -> dict[str, Array]:
    """Return the standard errors of all joints' loads (`Postures.load_nm`), N m.

    An acceleration is an angle differentiated twice, a logged rate once: what noise is left in
    it, the arm's inertia turns into torque. Each joint's acceleration counts with its usual
    error and with the inertia that it has at the joint in question, the errors independent of
    each other; what the noise of angles and rates does to a load otherwise is far less and is
    left out.

    Parameters
    ----------
    postures : Postures
    time_ns : array of shape (n,)
        Rising, ns since 1970.

    Returns
    -------
    dict of str to array of shape (n,)
        By joint; NaN where the posture is unknown. Empty where no load can be computed.
    """
    arm, n = postures.arm, len(time_ns)
    if not has_masses(arm) or not n:
        return {}
    some_ns = time_ns[np.linspace(0, n - 1, min(n, INERTIA_INSTANTS)).round().astype(int)]
    state = postures.at(some_ns)
    if state is None:
        return {}
    names = arm.joint_names
    noise = np.diag([postures.moved[name].accel_noise_deg_s2 for name in names])
    payload = postures.payload_kg(some_ns)
    square = np.full((len(some_ns), len(names)), np.nan)
    for base, here in postures.base_rows(some_ns).items():
        if not here.any():
            continue
        angle = np.repeat(state[0][here], len(names), axis=0)  # one joint after the other turns
        turning = np.tile(noise, (int(here.sum()), 1))
        still = np.zeros_like(angle)
        carried = np.repeat(payload[here], len(names))
        made = loads(
            arm, angle, still, turning, base=base, payload_kg=carried, gravity_m_s2=WEIGHTLESS
        )
        square[here] = (made.torque_nm.reshape(-1, len(names), len(names)) ** 2).sum(axis=1)
    since_s = (time_ns - time_ns[0]) / 1e9
    out: dict[str, Array] = {}
    for k, name in enumerate(names):
        known = np.isfinite(square[:, k])
        if not known.any():
            continue
        at_s = (some_ns[known] - time_ns[0]) / 1e9
        out[name] = np.interp(since_s, at_s, np.sqrt(square[known, k]))
    return out
