"""The ridge crane's crew: what is commanded in a session, and where a fault is put.

Moves of several joints and of one, slow approaches, jogs, shakes, holds, rests with the brakes
closed, loads hooked or handed over, a quiet stretch, a restart. Everything by recorder tick.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

DEG = math.pi / 180
TICK = 0.032  # s, the recorder's period (31.25 Hz)
COUNT = 2 * math.pi / 2**15  # rad, one count of the angle's 15 bits
HOME = np.array([0, 0, 35, 70, 40, 0, 0]) * DEG
ROOM = np.array([110, 18, 24, 34, 30, 28, 110]) * DEG
TOP = 3.0 * DEG
CAUSES: dict[str, tuple[str, tuple[float, float, float]]] = {
    "friction-step": ("friction", (0.6, 0.3, 0.15)),
    "friction-growth": ("friction", (0.8, 0.4, 0.2)),
    "brake-drag": ("brake-drag", (0.5, 0.25, 0.12)),
    "brake-slip": ("brake-slip", (3 * DEG, 0.5 * DEG, 5 * COUNT)),
    "late-release": ("late-release", (0.6, 0.3, 0.15)),
    "late-release-lying": ("late-release", (1.0, 0.5, 0.25)),
    "stick-slip": ("stick-slip", (0.6, 0.3, 0.15)),
    "blocked-motion": ("stall", (7.0, 4.0, 2.0)),
    "current-offset": ("current-sensor", (0.3, 0.15, 0.08)),
    "current-gain": ("current-sensor", (0.4, 0.2, 0.1)),
    "angle-jump": ("angle-sensor", (60 * COUNT, 20 * COUNT, 6 * COUNT)),
    "angle-stuck": ("angle-sensor", (10.0, 4.0, 2.0)),
    "wrong-load": ("load", (1.0, 0.5, 0.33)),
}
SIZES = ("large", "middling", "small")
TASKS = ("transit", "single", "approach", "jog", "shake", "hold", "rest", "hook")


@dataclass
class Plan:
    """One session's commands by recorder tick (T,), or tick and joint (T, 7), end A first."""

    rate: np.ndarray
    ask_open: np.ndarray
    load: np.ndarray
    listed: np.ndarray
    phase: np.ndarray
    on: np.ndarray
    start_q: np.ndarray
    base_b: bool
    ambient: float
    load_marks: list[tuple[int, int, float]] = field(default_factory=list)
    # The fault's own channels, of one joint; None where it has none
    joint: int = -1
    cause: str = ""
    size: float = 0.0
    size_word: str = ""
    span: tuple[int, int] = (0, 0)
    extra: np.ndarray | None = None  # share of Coulomb added while turning, (T,)
    creep: np.ndarray | None = None  # rad/s while braked, unsigned, (T,)
    hold_s: tuple[int, float, bool] | None = None  # tick of the release, longer by, word lies


def draw_plan(r: np.random.Generator, ticks: int) -> Plan:
    """Draw one session as a crew would fly it."""
    plan = Plan(
        rate=np.zeros((ticks + 1, 7)), ask_open=np.zeros((ticks, 7), bool), load=np.zeros(ticks),
        listed=np.zeros(ticks), phase=np.full(ticks, "stand-by", dtype=object),
        on=np.ones(ticks, bool), start_q=HOME + ROOM * r.uniform(-0.6, 0.6, 7),
        base_b=bool(r.random() < 0.42), ambient=float(r.uniform(-4, 36)),
    )  # fmt: skip
    q, n, free = plan.start_q.copy(), 0, np.zeros(7, bool)
    minutes = ticks * TICK / 60
    loads = r.random() < 0.7
    load = float(r.choice([0.0, 1.0])) * round(r.uniform(45, 210)) if loads else 0.0
    plan.load[:] = plan.listed[:] = load
    mark = 0
    quiet = ticks * r.uniform(0.2, 0.8) if r.random() < 0.7 and minutes > 8 else math.inf
    restart = ticks * r.uniform(0.3, 0.8) if r.random() < 0.25 and minutes > 8 else math.inf

    def wait(seconds: float) -> None:
        nonlocal n
        n = min(n + max(1, round(seconds / TICK)), ticks)

    def open_brakes(which: np.ndarray) -> None:
        nonlocal free
        if (which & ~free).any():
            plan.ask_open[n:, which] = True
            free = free | which
            wait(r.integers(5, 10) * TICK)

    def close_brakes(which: np.ndarray) -> None:
        nonlocal free
        wait(r.uniform(0.7, 2.0))
        plan.ask_open[n:, which] = False
        free = free & ~which
        wait(r.uniform(0.5, 1.5))

    def profile(dist: np.ndarray, speed: float, accel: float, soft: bool) -> None:
        nonlocal n, q
        far = np.abs(dist).max()
        speed = min(speed, math.sqrt(far * accel))
        length = far / speed + speed / accel
        t = np.arange(max(2, math.ceil(length / TICK))) * TICK
        shape = np.clip(np.minimum(t, length - t) * accel / speed, 0, 1)
        if soft:
            shape = np.convolve(shape, np.ones(9) / 9)
        move = shape[:, None] * (dist / (shape.sum() * TICK))
        fit = move[: max(0, ticks - n)]
        plan.rate[n : n + len(fit)] += fit
        q = q + fit.sum(0) * TICK
        n = min(n + len(fit), ticks)

    def target(which: np.ndarray, reach: float) -> np.ndarray:
        goal = HOME + ROOM * r.uniform(-1, 1, 7)
        return np.where(which, np.clip(goal - q, -reach, reach), 0.0)

    wait(r.uniform(4, 15))
    while n < ticks - 400:
        begin = n
        if n > restart:
            restart, name = math.inf, "restart"
            close_brakes(np.ones(7, bool))
            wait(2)
            gap = n
            wait(r.uniform(4, 15))
            plan.on[gap:n] = False
            wait(r.uniform(5, 10))
        elif n > quiet:
            quiet, name = math.inf, "rest"
            close_brakes(np.ones(7, bool))
            wait(r.uniform(60, 160))
        else:
            odds = np.array([0.25, 0.2, 0.17, 0.12, 0.05, 0.05, 0.09, 0.08 * loads])
            name = str(r.choice(TASKS, p=odds / odds.sum()))
        top = min(TOP, 1.4 * DEG) if load else TOP
        count = {"transit": int(r.integers(3, 8)), "single": 1, "approach": int(r.integers(1, 4))}
        which = np.zeros(7, bool)
        which[r.choice(7, count.get(name, int(r.integers(1, 3))), replace=False)] = True
        if name not in ("rest", "hook", "restart"):
            open_brakes(np.ones(7, bool) if r.random() < 0.55 else which)
        match name:
            case "transit" | "single":
                for _ in range(int(r.integers(1, 4))):
                    dist = target(which, top * 40)
                    if np.abs(dist).max() > 1 * DEG:
                        profile(dist, top * r.uniform(0.25, 1), r.uniform(0.6, 2) * DEG, True)
                    wait(r.uniform(0.8, 5))
            case "approach":
                speed = r.uniform(0.08, 0.4) * DEG
                dist = target(which, speed * r.uniform(14, 42))
                if np.abs(dist).max() > 10 * speed:
                    profile(dist, speed, 0.5 * DEG, True)
                wait(r.uniform(0.5, 4))
            case "jog":
                for _ in range(int(r.integers(3, 9))):
                    span = r.uniform(0.3, 1.2) * r.uniform(0.3, 1.5) * DEG
                    sign = np.where(r.random() < 0.5, 1, -1) if r.random() < 0.4 else 1
                    toward = np.sign(HOME - q + 1e-9)
                    way = np.where(which, toward * span * sign, 0)
                    profile(way, 1.2 * DEG, 4 * DEG, r.random() < 0.5)
                    wait(r.uniform(0.4, 2.5))
            case "shake":
                back = r.uniform(0.15, 0.5) * DEG
                for turn in range(int(r.integers(2, 7)) * 2):
                    way = np.where(which, back if turn % 2 == 0 else -back, 0)
                    profile(way, 1.5 * DEG, 12 * DEG, False)
            case "hold":
                wait(r.uniform(8, 25))
            case "rest":
                close_brakes(free)
                wait(r.uniform(12, 50))
            case "hook":
                ahead = 0.0 if load else float(round(r.uniform(45, 210)))
                hand_off = bool(load) and r.random() < 0.4
                if hand_off:  # another crane takes or brings part of it while the drives hold
                    open_brakes(np.ones(7, bool))
                    ahead = float(r.choice([0.0, round(load * r.uniform(0.3, 0.7))]))
                else:
                    close_brakes(np.ones(7, bool))
                wait(r.uniform(4, 9))
                ramp = max(2, round(r.uniform(2, 4) / TICK)) if hand_off else 1
                if n + ramp + 300 < ticks:
                    plan.load_marks.append((mark, n, load))
                    plan.load[n : n + ramp] = np.linspace(load, ahead, ramp)
                    plan.load[n + ramp :] = ahead
                    plan.listed[n + ramp // 2 :] = ahead
                    load, mark = ahead, n + ramp
                wait(ramp * TICK + r.uniform(4, 9))
        if free.any() and r.random() < 0.6:
            close_brakes(free)
        wait(r.uniform(0.5, 12))
        plan.phase[begin:n] = name
    if free.any():
        close_brakes(free)
    plan.load_marks.append((mark, ticks, load))
    plan.load *= 1 + float(np.clip(r.normal(0, 0.01), -0.02, 0.02))
    return plan


def _runs(mask: np.ndarray, least: int) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(a, b) for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a >= least]


def place_fault(plan: Plan, cause: str, size: str, r: np.random.Generator, ticks: int) -> bool:
    """Put one fault where it can show; False where this plan has no place for it."""
    amount = CAUSES[cause][1][SIZES.index(size)]
    s = lambda seconds: round(seconds / TICK)  # noqa: E731
    for joint in r.permutation(7):
        rate = np.abs(plan.rate[:ticks, joint])
        moving, opened = rate > 0.05 * DEG, plan.ask_open[:, joint]
        spans: list[tuple[int, int]] = []
        match cause:
            case "friction-step" | "friction-growth":
                early = cause == "friction-growth"
                t0 = s(5) if early else int(ticks * r.uniform(0.15, 0.6))
                if moving[t0:].sum() > s(45) and ticks - t0 > s(120):
                    spans = [(t0, ticks)]
            case "current-offset" | "current-gain":
                least, use = (60, 15) if cause == "current-offset" else (120, 25)
                for _ in range(20):
                    t0 = int(r.uniform(0.05, 0.8) * ticks)
                    t1 = t0 + s(r.uniform(least, 3 * least))
                    if t1 < ticks and moving[t0:t1].sum() > s(use):
                        spans = [(t0, t1)]
            case "brake-drag":
                want = s(r.uniform(20, 60))
                for t0 in np.flatnonzero(np.diff(opened.astype(int)) == 1) + 1:
                    total = np.cumsum(moving[t0:])
                    if total[-1] >= want:
                        t1 = t0 + int(np.searchsorted(total, want))
                        if t1 - t0 < s(300):
                            spans.append((int(t0), t1))
            case "late-release" | "late-release-lying":
                # Where no word tells of it, the joint is asked to go while the brake still holds
                least = 12 * COUNT if cause.endswith("lying") else 0.0
                for t0 in np.flatnonzero(np.diff(opened.astype(int)) == 1) + 1:
                    asked = rate[t0 : t0 + s(0.12 + amount)].sum() * TICK
                    soon = rate[t0 + s(0.3) : t0 + s(0.8)].max(initial=0) > 0.3 * DEG
                    if soon and asked >= least:
                        spans.append((int(t0), int(t0) + s(0.15 + amount)))
            case "brake-slip":
                last = s(r.uniform(2, 10))
                still = ~plan.ask_open.any(1) & plan.on
                for a, b in _runs(still, last + s(9)):
                    t0 = a + s(5) + int(r.integers(0, b - a - last - s(8)))
                    spans.append((t0, t0 + last))
            case "stick-slip":
                for a, b in _runs(moving & (rate < 0.45 * DEG), s(10)):
                    spans.append((a, min(b, a + s(r.uniform(10, 30)))))
            case "blocked-motion":
                for a, _ in _runs(rate > 0.4 * DEG, s(amount + 1.0)):
                    spans.append((a + s(0.5), a + s(0.5 + amount)))
            case "angle-stuck":
                for a, b in _runs(rate > 0.15 * DEG, s(amount + 0.6)):
                    t0 = a + s(0.2) + int(r.integers(0, b - a - s(amount) - s(0.4)))
                    spans.append((t0, t0 + s(amount)))
            case "angle-jump":
                t0 = int(ticks * r.uniform(0.1, 0.8))
                if moving[t0:].sum() > s(10):
                    spans = [(t0, ticks)]
            case "wrong-load":
                for a, b, kg in plan.load_marks:
                    turns = np.abs(plan.rate[a:b, 4 if plan.base_b else 2]) > 0.05 * DEG
                    if kg >= 60 and turns.sum() > s(15):
                        spans.append((a, b))
        spans = [(a, b) for a, b in spans if plan.on[a:b].all() or b - a > s(60)]
        if not spans:
            continue
        t0, t1 = (int(n) for n in spans[int(r.integers(len(spans)))])
        sign = float(r.choice([-1, 1]))
        plan.joint, plan.cause, plan.size_word, plan.span = int(joint), cause, size, (t0, t1)
        plan.size = amount * (sign if cause != "current-gain" else 1.0)
        now = np.arange(ticks)
        inside = (now >= t0) & (now < t1)
        if cause in ("friction-step", "brake-drag"):
            plan.extra = amount * inside
        elif cause == "friction-growth":
            plan.extra = amount * np.clip((now - t0) / (t1 - t0), 0, 1)
        elif cause == "stick-slip":
            wave = np.cumsum(r.uniform(0.8, 1.2) * 1.3 * TICK * (1 + 0.15 * r.normal(size=ticks)))
            saw = np.minimum(wave % 1 / 0.75, (1 - wave % 1) / 0.25) - 0.35
            plan.extra = amount * inside * saw
        elif cause == "brake-slip":
            plan.creep = inside * amount / ((t1 - t0) * TICK)
        elif cause.startswith("late-release"):
            plan.hold_s = (t0, amount, cause.endswith("lying"))
        elif cause == "wrong-load":
            more = 1 + amount * (1.0 if size == "large" else sign)
            plan.joint = 4 if plan.base_b else 2  # the pitch that carries it: most of its moment
            plan.size = more - 1
            plan.load[t0:t1] *= more
        return True
    return False
