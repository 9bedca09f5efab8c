"""How well and how fast flags are found, beside plain detectors on the same sessions.

Run by hand: ``python -m tests.benchmarks.detection figures [arms] [training sessions]``
prints recall, right joint and kind, delay and false flags on arms drawn afresh,
ours beside an isolation forest and a spline with a robust z, and the same with a
tenth of the training sessions faulty; intervals are 90 %.
``python -m tests.benchmarks.detection speed [sessions] [hz] [hours]`` prints the
time to learn, and scoring beside a bare `IsolationForest.score_samples`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
from sklearn.ensemble import IsolationForest
from threadpoolctl import threadpool_limits

from replay.archive import open_archive
from replay.checks import check, learn
from replay.checks.check import judge
from replay.checks.learning import learn_from
from replay.checks.matching import Known, Raised, Tally, match
from replay.checks.plain import plain_detectors
from replay.checks.reading import Reading, read
from replay.demo import FaultWish, SessionPlan, session_record, simulate_session
from replay.demo.faulty.faults import FLAVOURS
from replay.models.grid.condensing import choose_filter
from replay.signals.joints import joint_columns

STYLES = {
    "inspection": 0.35,
    "cargo move": 0.3,
    "joint test": 0.15,
    "technician": 0.1,
    "walk": 0.1,
}
FIRST_SEED = 9000
HELD_OUT, MINUTES, HZ, ASKED = 20, 8.0, 20.0, 1.0
OURS, DIRTY = "jointbook", "jointbook, 10 % of training faulty"


class Bench:
    """One arm drawn afresh, its sessions read and condensed."""

    def __init__(self, seed: int, folder: str) -> None:
        self.seed, self.count = seed, 0
        self.archive = open_archive(folder, create=True)
        self.rng = np.random.default_rng(seed)
        self.filter_s = 0.0
        self.readings: dict[str, Reading] = {}
        self.events: dict[str, list[Known]] = {}

    def add(self, wish: FaultWish | None = None) -> str:
        """Simulate a session, put it into the archive, read it; return its name."""
        style = str(self.rng.choice(list(STYLES), p=list(STYLES.values())))
        if wish is not None and wish.kind == "load":
            style = "cargo move"
        payload = {"cargo move": float(self.rng.uniform(400, 1600)), "technician": 150.0}
        plan = SessionPlan(
            start=datetime(2031, 3, 1, tzinfo=UTC)
            + timedelta(days=float(self.rng.uniform(0, 300))),
            minutes=MINUTES,
            rate_hz=HZ,
            style=style,
            base_end=str(self.rng.choice(["A", "B"])),
            payload_kg=round(payload.get(style, 0.0)),
            arm_seed=self.seed,
            faults=(wish,) if wish is not None else (),
        )
        frame, truth = simulate_session(plan, self.seed * 1000 + self.count)
        name = f"{self.seed}-{self.count:03d}"
        record = session_record(plan, frame, name=name)
        self.archive.add_session(record, {"main": frame})
        self.events[name] = [
            Known(
                name,
                e["joint"],
                e["kind"],
                datetime.fromisoformat(e["start"]),
                datetime.fromisoformat(e["end"]),
                e["grade"],
                tuple(e["also"]),
            )
            for e in truth["events"]
        ]
        self.count += 1
        return name

    def read(self, taught: list[str]) -> None:
        """Read every session, through the filter that the training sessions want."""
        self.filter_s = choose_filter(self.archive, taught)
        for name in self.events:
            self.readings[name] = read(self.archive, name, self.filter_s)

    def ours(self, taught: list[str], judged: list[str]) -> list[Raised]:
        """Return the flags that a baseline of these sessions raises."""
        baseline = learn_from([self.readings[n] for n in taught], ASKED, self.filter_s)
        return [
            Raised(n, f.joint, f.kind, f.start, f.end, f.score, f.group)
            for n in judged
            for f in judge(self.readings[n], baseline).flags
            if f.evidence["lead"]
        ]


def figures(arms: int, training: int) -> None:
    """Print one table over all arms."""
    pooled: dict[str, dict[str, Tally]] = {}
    for seed in range(FIRST_SEED, FIRST_SEED + arms):
        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(seed, folder)
            wishes = [
                FaultWish(kind, grade=grade, flavour=flavour)
                for kind, flavours in FLAVOURS.items()
                for flavour in flavours
                for grade in ("clear", "subtle")
            ]
            taught = [bench.add() for _ in range(training)]
            held = [bench.add() for _ in range(HELD_OUT)]
            faulty = [bench.add(wish) for wish in wishes]
            few = max(1, round(training / 10))
            kinds = bench.rng.choice(list(FLAVOURS), few)
            spoilt = [bench.add(FaultWish(str(kind))) for kind in kinds]
            bench.read(taught)
            raised = {
                OURS: bench.ours(taught, held + faulty),
                DIRTY: bench.ours(taught[few:] + spoilt, held + faulty),
            }
            for plain in plain_detectors([bench.readings[n] for n in taught], ASKED):
                raised[plain.name] = [
                    f for n in held + faulty for f in plain.raise_flags(bench.readings[n])
                ]
            for name, flags in raised.items():
                into = pooled.setdefault(name, {"faulty": Tally(), "held": Tally()})
                for what, sessions in (("faulty", faulty), ("held", held)):
                    hours = sum(_joint_hours(bench.readings[n]) for n in sessions)
                    mine = [f for f in flags if f.session in sessions]
                    known = [e for n in sessions for e in bench.events[n]]
                    got = match(known, mine, hours, kinds=name in {OURS, DIRTY})
                    into[what] += got
        print(f"arm {seed} done", file=sys.stderr, flush=True)
    for name, tallies in pooled.items():
        _print(name, tallies["faulty"], tallies["held"])


def _joint_hours(reading: Reading) -> float:
    blocks = reading.blocks
    return float(len(blocks) * blocks.step_s * len(blocks.joints) / 3600)


def _print(name: str, faulty: Tally, held: Tally) -> None:
    said, healthy = faulty.summary(), held.summary()
    print(f"\n{name}")
    for grade, share in said["by_grade"].items():
        print(f"  recall {grade}: {_share(share)}")
    print(f"  right joint of those found: {_share(said['right_joint'])}")
    if name in {OURS, DIRTY}:
        print(f"  right kind of those found: {_share(said['right_kind'])}")
    if said["median_delay_s"] is not None:
        print(f"  median delay, abrupt kinds: {said['median_delay_s']:.2f} s")
    rate = healthy["false_per_100h"]
    print(
        f"  false flags per 100 joint-hours of healthy sessions, {ASKED:g} asked: "
        f"{rate['value']:.1f} [{rate['low']:.1f}, {rate['high']:.1f}] "
        f"({healthy['false_flags']} in {healthy['joint_hours']:.0f} h)"
    )
    kinds = ", ".join(f"{k} {_short(v['recall'])}" for k, v in said["kinds"].items())
    print(f"  recall by kind, both grades: {kinds}")


def _share(share: dict[str, float]) -> str:
    if not share["n"]:
        return "none"
    return f"{share['value']:.1%} [{share['low']:.1%}, {share['high']:.1%}] of {share['n']}"


def _short(share: dict[str, float]) -> str:
    return f"{round(share['value'] * share['n'])}/{share['n']}"


def speed(sessions: int, hz: float, hours: float) -> None:
    """Build sessions, learn, score one of them."""
    with tempfile.TemporaryDirectory() as folder:
        archive = open_archive(folder, create=True)
        for k in range(sessions):
            plan = SessionPlan(
                start=datetime(2031, 1, 5, tzinfo=UTC) + timedelta(days=k),
                minutes=60 * hours,
                rate_hz=hz,
            )
            frame, _ = simulate_session(plan, k)
            archive.add_session(session_record(plan, frame, name=f"s{k:03d}"), {"main": frame})
        begin = time.perf_counter()
        baseline = learn(archive)
        print(f"learn: {time.perf_counter() - begin:.1f} s for {sessions} sessions of {hours} h")
        tables = joint_columns(archive, "s000")
        rows = sum(len(t) for t in tables.values())
        read_s = _quickest(lambda: joint_columns(archive, "s000"))
        print(f"joint tables from the archive: {rows / read_s / 1e6:.2f} M rows/s")

        reading = read(archive, "s000", baseline.model.filter_s)

        table = next(iter(tables.values()))
        pair = np.nan_to_num(np.column_stack((table.rate_deg_s, table.current_a)))[:200_000]
        forest = IsolationForest(random_state=0).fit(pair)
        with threadpool_limits(limits=1):
            ours = rows / _quickest(lambda: judge(reading, baseline))
            whole = rows / _quickest(lambda: check(archive, "s000", baseline, save=False))
            bare = pair.shape[0] / _quickest(lambda: forest.score_samples(pair))
        print(
            f"judging what was read: {ours / 1e6:.2f} M joint-samples a second of a core, "
            f"{ours / bare:.1f} times a bare forest; with reading {whole / 1e6:.2f} M"
        )


def _quickest(work: Callable[[], object], times: int = 5) -> float:
    """Return the least processor time, s, of all threads together."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
    return min(spent)


def main(words: list[str]) -> None:
    """Run the part that was asked for."""
    what, rest = (words[0] if words else "figures"), words[1:]
    if what == "speed":
        sessions, hz, hours = (*map(float, rest), *(8, 100.0, 0.25)[len(rest) :])
        speed(int(sessions), hz, hours)
    else:
        arms, training = (*map(int, rest), *(3, 40)[len(rest) :])
        figures(arms, training)


if __name__ == "__main__":
    main(sys.argv[1:])
