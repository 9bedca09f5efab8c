"""Runs gantry pacer sessions side by side: servo, gears, friction, brakes, and faults in them."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.plants import gantry_pacer_drive as d
from tests.plants.gantry_pacer_body import needs
from tests.plants.gantry_pacer_brakes import FINE, schedule
from tests.plants.gantry_pacer_crew import HZ, Mission
from tests.plants.gantry_pacer_drive import DT, EACH, GAP, GEAR, SPRING, SUB, VM, J, Unit, padded
from tests.plants.gantry_pacer_warmth import Warmth

Array = np.ndarray[Any, Any]

SLOW_RAD_S, STRIBECK = np.deg2rad(0.35), 0.12
PATCH = 2 * np.pi / np.deg2rad(0.3)
"""Where a seal sticks, it sticks in patches a third of a degree apart."""
LIGHTEST = 12.0
"""Smallest link inertia reckoned with, kg m²: below, a step would be too long."""
PER_AMP = GEAR * d.KT
MOST_NM = PER_AMP * d.LIMIT_A
GAIN, STIFF, GATHER = 18.0 * J, 4.0, 5.0
"""The servo: N m per rad/s of rate wanting, its stiffness and gathering, both per s."""
LAG_RAD, IDLE_RAD = np.deg2rad(0.4), 2e-4
"""A wanting in angle counts up to here; when standing still, gathers no force below there."""
WEIGHED = 0.94
"""The servo's own idea of the weights, against the true ones."""
RAMP_RAD_S = 0.006
"""What the set rate changes by in a tick."""
COG = 0.006 * PER_AMP
BRISTLE_D = 2 * 0.4 * np.sqrt(d.BRISTLE * J)
HOLD_K = d.BRAKE_NM / 3e-4
HOLD_D = 2 * 0.5 * np.sqrt(HOLD_K * J)


class Stand:
    """Many sessions at once: what is asked of them, and how they stand, rows of (n, 7)."""

    def __init__(self, missions: list[Mission], unit: Unit) -> None:
        self.unit, self.shape = unit, (len(missions), 7)
        self.faults = [(n, m.fault) for n, m in enumerate(missions) if m.fault]
        brakes = [schedule(m) for m in missions]
        self.holds = padded([b[0] for b in brakes], True).reshape(-1, FINE, *self.shape)
        self.word = padded([b[1] for b in brakes], True)
        self.order = np.deg2rad(padded([m.order for m in missions], 0.0))
        shut = padded([m.shut for m in missions], True)
        self.servo = ~shut | ~self.word
        self.servo[5:] |= self.servo[:-5].copy()
        self.free = self.servo & ~self.word & ~shut
        self.base = padded([m.base_b for m in missions], False)
        self.load = padded([m.load for m in missions], 0.0)
        self.force = padded([d.pushes(m) for m in missions], 0.0)
        days = [d.day_of(m, unit) for m in missions]
        self.plain, self.thick, carried = (
            np.stack([getattr(x, k) for x in days]) for k in ("plain", "thick", "carried")
        )
        self.forward, self.backward = d.FORWARD * carried, d.BACKWARD * carried
        hall = np.array([m.hall_c for m in missions])[:, None]
        self.heat = Warmth(np.stack([x.warm for x in days]), hall)
        self.q = np.deg2rad(np.stack([m.pose for m in missions]))
        self.now = needs(self.q, self.base[0], self.load[0], unit.body)
        weight = self.now.weight
        self.x = self.q + weight / SPRING + GAP / 2 * np.sign(weight)
        self.v, self.w, self.z, self.amps, self.vset = (np.zeros(self.shape) for _ in range(5))
        self.xset, self.anchor = self.x.copy(), self.x - weight / 2e7
        self.memory, self.slope = weight.copy(), np.zeros(self.shape)
        self.stopped_at = np.zeros(self.shape)

    def look(self, tick: int) -> None:
        """Look at the postures anew; their weights run on in a line until the next look."""
        before, last = self.now.weight, max(0, tick - EACH)
        base, load = self.base[tick], self.load[tick]
        self.now = needs(self.q, base, load, self.unit.body)
        same = (base == self.base[last]) & (load == self.load[last])
        self.slope = np.where(same[:, None], (self.now.weight - before) / EACH, 0.0)
        own = np.einsum("nkk->nk", self.now.inertia)
        self.own = np.maximum(own, LIGHTEST)
        self.cross = self.now.inertia - own[:, :, None] * np.eye(7)
        self.ring = 2 * 0.08 * np.sqrt(SPRING * self.own)

    def wrong(self, tick: int) -> tuple[Array, Array, Array, Array]:
        """Return added rub, added stiction, brake creep and whether an obstacle stands there."""
        out = [np.zeros(self.shape) for _ in range(4)]
        for n, f in self.faults:
            if not f.start <= tick < f.end:
                continue
            own, amount = (n, f.joint), f.amount * d.RUB_NM[f.joint]
            if f.cause == "friction-step":
                out[0][own] = amount
            elif f.cause == "friction-growth":
                out[0][own] = amount * (tick - f.start) / (f.end - f.start)
            elif f.cause == "brake-drag":
                out[0][own] = amount * (1 + 0.2 * np.sin(0.9 * tick / HZ + f.start))
            elif f.cause == "stick-slip":
                out[1][own] = amount
            elif f.cause == "brake-slip":
                out[2][own] = np.deg2rad(f.amount) * HZ / (f.end - f.start)
            elif f.cause == "blocked":
                out[3][own] = 1.0
        return out[0], out[1], out[2], out[3]

    def against(self, tick: int, gathering: Array) -> Array:
        """Return the torque that the links ask for: weights, other joints' starts, a person."""
        down = np.where(self.base[tick][:, None], self.now.out, [0.0, 0.0, -1.0])
        force = self.force[tick, :, 1:] + self.force[tick, :, :1] * down
        pushed = (self.now.push @ force[:, :, None])[..., 0]
        started = (self.cross @ gathering[:, :, None])[..., 0]
        return self.now.weight + self.slope * (tick % EACH) + pushed + started

    def pass_tick(self, tick: int) -> Array:
        """Let one tick go by; return the currents at its end."""
        if tick % EACH == 0:
            self.look(tick)
        on, unit, weight = self.servo[tick], self.unit, self.now.weight
        extra, stick, creep, block = self.wrong(tick)
        asked = np.where(self.free[tick], self.order[tick], 0.0)
        step = np.clip(asked - self.vset, -RAMP_RAD_S, RAMP_RAD_S)
        self.vset = np.where(on, self.vset + step, 0.0)
        against = self.against(tick, step * HZ * on)
        teeth = np.sin(d.TEETH * self.q + unit.phase[0]) + 0.7 * np.sin(self.q + unit.phase[1])
        turn = 1 + unit.wave * teeth
        lagging = np.clip(self.xset, self.x - LAG_RAD, self.x + LAG_RAD)
        self.xset = np.where(on, lagging, self.x)
        self.memory = np.where(on, self.memory, WEIGHED * weight)
        self.anchor += creep * np.sign(-against) / HZ
        met = np.where(self.stopped_at == 0, self.q, self.stopped_at)
        self.stopped_at = np.where(block > 0, met, 0.0)
        levels = (self.plain * turn + extra, self.forward * turn, self.backward * turn, stick)
        return self.steps(tick, on, against, levels, block)

    def steps(
        self, tick: int, on: Array, against: Array, levels: tuple[Array, ...], block: Array
    ) -> Array:
        """Take a tick's small steps."""
        plain, forward, backward, stick = levels
        per_amp = GEAR * self.unit.kt * self.heat.magnet()
        thick = self.thick * self.heat.thickness()
        idle = np.where(self.vset == 0, IDLE_RAD, 0.0)
        known = WEIGHED * self.now.weight
        reach = 3 * d.RUB_NM + 1.3 * d.FORWARD * np.abs(self.now.weight)
        q, x, v, w, z, amps = self.q, self.x, self.v, self.w, self.z, self.amps
        xset, vset, memory, own = self.xset, self.vset, self.memory, self.own
        heat, mean = np.zeros(self.shape), np.zeros(self.shape)
        for sub in range(SUB):
            if sub % (SUB // FINE) == 0:
                held = self.holds[tick, sub * FINE // SUB]
                self.anchor = np.where(held, self.anchor, x)
            # the servo, on the motor's side; np.clip takes ten times as long
            xset += vset * DT
            gap = (xset - x) * on
            memory += (np.abs(gap) > idle) * gap * (GATHER * DT * GAIN)
            memory = np.minimum(np.maximum(memory, known - reach), known + reach)
            want = (memory + GAIN * (vset - v + STIFF * gap)) * on
            amps += (np.minimum(np.maximum(want, -MOST_NM), MOST_NM) / PER_AMP - amps) * 0.5
            drawn = per_amp * amps + COG * np.sin(12 * GEAR * x)
            # the gear: a gap, then a spring
            wind = x - q
            wind -= np.minimum(np.maximum(wind, -GAP / 2), GAP / 2)
            geared = SPRING * wind + (wind != 0) * self.ring * (v - w)
            # friction
            carry, speed = np.abs(geared), np.abs(v)
            low = np.exp(-speed / SLOW_RAD_S)
            level = plain + np.where(v * geared > 0, forward, backward) * carry
            level = level * (1 + STRIBECK * low) + stick * low * (1 + np.sin(PATCH * q))
            bent = (z + v * DT) / (1 + d.BRISTLE * speed * DT / level)
            rub = d.BRISTLE * bent + BRISTLE_D * (bent - z) / DT
            z = bent
            rub += thick * (1 + carry / 6000) * 1.4 * (v / VM) / (0.4 + speed / VM)
            grip = held * (HOLD_K * (x - self.anchor) + HOLD_D * v)
            # both masses
            v += DT / J * (drawn - geared - rub - grip)
            x += DT * v
            stop = block * (6e5 * (q - self.stopped_at) + 4e3 * w)
            w += DT / own * (geared - against - stop - own * w)
            q += DT * w
            heat += np.abs(rub * v)
            if sub >= SUB - 4:
                mean += amps
        self.memory, self.z = memory, z
        self.heat.pass_tick(amps, heat / SUB, v)
        return mean / 4


def simulate(missions: list[Mission], unit: Unit) -> list[dict[str, Array]]:
    """Return of each session q (rad), amps, warm (°C) and word (brake said to hold), by ticks."""
    stand = Stand(missions, unit)
    ticks = len(stand.order)
    keep = {k: np.empty((ticks, *stand.shape), np.float32) for k in ("q", "amps", "warm")}
    for tick in range(ticks):
        keep["warm"][tick] = stand.heat.case
        keep["amps"][tick] = stand.pass_tick(tick)
        keep["q"][tick] = stand.q
    keep["word"] = stand.word
    return [{k: kept[: m.ticks, n] for k, kept in keep.items()} for n, m in enumerate(missions)]
