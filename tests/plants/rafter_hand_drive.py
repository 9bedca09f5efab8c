"""The rafter hand's drives: two kinds of geared motors behind elastic joints, brakes, servo.

Pitches have strain-wave gears (stiff friction, losses with load), rolls planetary ones. The
rotor, felt at the output, pushes the link through a spring; brake and gear friction act on the
rotor. Position loop around a speed loop with integrator, speed and gravity feed-forward.
Units are of the joint's output, radians and Nm, unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.plants.rafter_hand_body import NAMES, PITCH, Array, Bodies, head, link_tables
from tests.plants.rafter_hand_crew import HZ

SUBSTEPS = 10
STEP_S = 1.0 / HZ / SUBSTEPS
RATIO = np.where(PITCH, 240.0, 200.0)
KT_NM_A = np.where(PITCH, 0.160, 0.120)
ROTOR_KG_M2 = np.full(7, 8.0e-4)
LIMIT_A = np.where(PITCH, 60.0, 25.0)
STIFF_NM = np.where(PITCH, 2.6e5, 1.2e5)
DAMP_NM_S = np.where(PITCH, 600.0, 300.0)
BRAKE_NM = np.where(PITCH, 2600.0, 1200.0)
FAST_RAD_S = np.radians(np.where(PITCH, 18.0, 26.0))
PLAIN_KT = RATIO * KT_NM_A
JAM_NM = np.where(PITCH, 4.0e5, 1.5e5)


@dataclass
class Units:
    """The seven joint units as built, from end A: near the drawing, none exactly on it."""

    coulomb: Array
    rise: Array
    slow: Array
    viscous: Array
    loss: Array
    kt: Array
    cogging: Array
    ripple: Array
    phase: Array
    model: Array
    release_s: Array
    engage_s: Array


def units(seed: int) -> Units:
    """Return the units of one campaign."""
    rng = np.random.default_rng([seed, 77])

    def near(pitch: float, roll: float, spread: float) -> Array:
        return np.where(PITCH, pitch, roll) * np.exp(spread * rng.standard_normal(7))

    return Units(
        coulomb=near(33.0, 13.0, 0.12), rise=near(0.38, 0.20, 0.15),
        slow=np.radians(near(0.6, 0.9, 0.1)), viscous=np.degrees(near(2.1, 0.75, 0.12)),
        loss=near(0.085, 0.040, 0.1), kt=PLAIN_KT * (1 + 0.03 * rng.standard_normal(7)),
        cogging=near(2.4, 0.9, 0.2), ripple=near(0.045, 0.03, 0.2),
        phase=rng.uniform(0, 2 * np.pi, 7), model=0.98 + 0.03 * rng.standard_normal(7),
        release_s=near(0.13, 0.10, 0.06), engage_s=near(0.07, 0.06, 0.06),
    )  # fmt: skip


@dataclass
class Run:
    """What a set of sessions is run with; (sessions, 7) or (sessions, rows, 7), from the base."""

    unit: dict[str, Array]
    base_b: NDArray[np.bool_]
    start: Array
    asked: NDArray[np.float32]
    powered: NDArray[np.bool_]
    shut: NDArray[np.bool_]
    switch: NDArray[np.uint8]
    """In which substep of a row the brake changes, SUBSTEPS for not at all."""
    hung: Array
    declared: Array
    ambient_c: Array
    standing: Array
    """Friction of the day over that of the unit."""
    hose_nm: Array
    events: dict[int, list[tuple[str, int, int, float]]] = field(default_factory=dict)
    """By row: which quantity of which session and joint takes which value."""


@dataclass
class Trace:
    """What the sensors could see, (sessions, rows, 7)."""

    link: Array
    rotor: Array
    current_a: Array
    set_angle: Array
    winding_c: NDArray[np.float32]


def run(r: Run) -> Trace:
    """Integrate all sessions side by side."""
    count, rows = r.asked.shape[:2]
    u, h = r.unit, STEP_S
    shape = (count, 7)
    body = Bodies(r.base_b)
    q, v, w = np.radians(r.start), np.zeros(shape), np.zeros(shape)
    body.place(q)
    body.load(r.hung[:, 0])
    links, per_kg = body.hold()
    th = q + (links + per_kg * r.hung[:, :1]) / STIFF_NM
    want, shift, total = th.copy(), np.zeros(shape), np.zeros(shape)
    home = np.radians(r.start)
    winding = np.repeat(r.ambient_c[:, None], 7, 1) + 1.5
    gear = winding - 1.0
    travel = np.zeros(shape)
    f = {k: np.zeros(shape) for k in ("more", "growth", "drag", "slip", "chatter", "jam")}
    creep, stuck_at = np.full(shape, np.inf), np.zeros(shape)
    rotor_j = ROTOR_KG_M2 * RATIO**2
    kp, kv, ki = 3.0, np.where(PITCH, 5000.0, 3000.0), np.where(PITCH, 8000.0, 5000.0)
    old = np.zeros(shape)
    out = [np.empty((count, rows, 7)) for _ in range(4)]
    heat = np.empty((count, rows, 7), np.float32)
    before = np.zeros(shape)
    spring = STIFF_NM * (th - q)
    squares, work, amps = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    tick = h * SUBSTEPS
    for row in range(rows):
        for name, s, j, value in r.events.get(row, ()):
            f[name][s, j] = value
            if name == "jam":
                stuck_at[s, j] = q[s, j]
            if name == "slip":
                creep[s, j] = np.inf
        if row == 0 or np.any(r.hung[:, row] != r.hung[:, row - 1]):
            body.load(r.hung[:, row])
        body.place(q)
        pull = body.bias(v)
        slope = (pull - before) / tick if row else np.zeros(shape)
        before = pull
        links, per_kg = body.hold()
        feed = u["model"] * (links + per_kg * r.declared[:, row, None])
        jam = f["jam"] * JAM_NM
        damp = DAMP_NM_S + 0.02 * jam
        matrix = body.mass_matrix()
        matrix[:, range(7), range(7)] += h * damp + h * h * (STIFF_NM + jam)
        inverse = np.linalg.inv(matrix)
        # The day's friction: unit, grease that settles in the first travel, place, faults.
        f["more"] += f["growth"]
        stand = r.standing * (1 + 0.07 * np.exp(-travel / 4.0)) * (1 + f["more"])
        stand *= 1 + u["ripple"] * np.sin(3 * th + u["phase"])
        coulomb = u["coulomb"] * stand * (1 - 0.0035 * (gear - 25))
        viscous = u["viscous"] * stand * np.exp((25 - gear) / 38.0)
        if f["chatter"].any():
            coulomb *= 1 + f["chatter"] * (2 * np.mod(th / np.radians(1.3), 1.0) - 0.6)
            coulomb *= 1 + 0.5 * f["chatter"] * np.exp(-((w / np.radians(1.0)) ** 2))
        hose = -r.hose_nm * (th - home) - 1.5 * r.hose_nm * np.tanh(w / 0.01)
        kt = u["kt"] * (1 - 0.0012 * (winding - 25))
        power = r.powered[:, row]
        asked = r.asked[:, row].astype(float)
        if row and (woke := power & ~r.powered[:, row - 1]).any():
            shift[woke] = (th - want)[woke]
            total[woke] = 0.0
        moving = np.abs(asked) > 1e-4
        shift *= np.where(moving, np.exp(-tick / 1.5), 1.0)
        shut, switch = r.shut[:, row], r.switch[:, row]
        switches = bool((switch < SUBSTEPS).any())
        turn = (asked - old) / SUBSTEPS
        squares[:], work[:] = 0.0, 0.0
        slips = f["slip"] > 0
        for k in range(SUBSTEPS):
            if switches or k == 0:
                now = shut ^ (switch <= k)
                cap = np.where(now, BRAKE_NM, f["drag"])
                if slips.any():
                    cap = np.where(slips & now, 0.0, cap)
                    fresh = slips & now & ~np.isfinite(creep)
                    free = np.abs(spring) - 1.3 * coulomb - u["loss"] * np.abs(spring)
                    creep[fresh] = (np.maximum(free, 1.0) / np.where(slips, f["slip"], 1))[fresh]
                    dull = np.where(slips & now, 1 / (1 + h * np.where(now, creep, 0) / rotor_j), 1)
            rate = old + turn * (k + 1)
            want += h * rate
            error = want + shift - th
            lag = np.clip(rate + kp * error, -FAST_RAD_S, FAST_RAD_S) - w
            torque = feed + kv * lag + total
            amps = torque / PLAIN_KT
            held = np.minimum(np.maximum(amps, -LIMIT_A), LIMIT_A)
            # The integrator rests at the limit, and at standstill inside a dead band.
            runs = (held == amps) & (moving | (np.abs(error) > 3e-4)) & power
            total += h * ki * lag * runs
            amps = held * power
            speed = np.abs(w)
            rub = coulomb * (1 + u["rise"] * np.exp(-speed / u["slow"])) + viscous * speed
            rub += u["loss"] * np.abs(spring)
            cog = u["cogging"] * np.sin(RATIO * 6 * th)
            push = kt * amps + cog - spring + hose
            w = w + h / rotor_j * push
            w = np.sign(w) * np.maximum(np.abs(w) - h / rotor_j * (rub + cap), 0.0)
            if slips.any():
                w *= dull
            th = th + h * w
            rest = STIFF_NM * (th - q - h * v) + damp * (w - v) - pull - slope * (h * (k + 1))
            rest -= 0.02 * jam * w + jam * (q + h * v - stuck_at)
            v = v + (inverse @ (h * rest)[:, :, None])[:, :, 0]
            q = q + h * v
            spring = STIFF_NM * (th - q) + DAMP_NM_S * (w - v)
            squares += amps * amps
            work += rub * speed
        old = asked
        travel += tick * np.abs(w)
        winding += tick * (0.0007 * squares / SUBSTEPS - (winding - gear) / 210.0)
        gear += tick * (
            2.2e-3 * work / SUBSTEPS + (winding - gear) / 700.0
            - (gear - r.ambient_c[:, None]) / 1500.0
        )  # fmt: skip
        for place, value in zip(out, (q, th, amps, want + shift), strict=True):
            place[:, row] = value
        heat[:, row] = winding
    return Trace(*out, winding_c=heat)


def arm_file(error: float = 1.0) -> str:
    """Return the arm file; error 0 states the truth, 1 what a drawing office would."""
    rng = np.random.default_rng(42)
    tables = link_tables(error)
    out = [head(error), tables[0]]
    for k, name in enumerate(NAMES):
        kt = KT_NM_A[k] * (1 + error * 0.02 * rng.standard_normal())
        out.append(
            f'[[joints]]\nname = "{name}"\nserial = "RH-{41 + k}"\n'
            f"gear_ratio = {RATIO[k]}\ntorque_constant_nm_a = {kt:.4f}\n"
            f"motor_inertia_kg_m2 = {ROTOR_KG_M2[k]:.2e}\ncurrent_limit_a = {LIMIT_A[k]}\n"
            f"efficiency_drive = {0.9 if PITCH[k] else 0.95}\n"
            f"efficiency_backdrive = {0.9 if PITCH[k] else 0.95}\n"
            f"brake_torque_nm = {BRAKE_NM[k]}\nrate_limit_deg_s = {12.0 if PITCH[k] else 18.0}\n"
            f"angle_range_deg = {[-130.0, 130.0] if PITCH[k] else [-200.0, 200.0]}\n"
            + tables[k + 1]
        )
    return "".join(out)
