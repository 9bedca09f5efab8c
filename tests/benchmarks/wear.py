"""Figures of the wear room, measured by hand: ``python tests/benchmarks/wear.py``.

Prints, over seven physics of histories (`tests/wear/histories_of_physics.py`), healthy
units accused a unit-year, coverage of slopes and limit dates by tenth of the history, and
how early a growth of 20 % is found beside least squares that knows the truth; an arm
under gravity without an arm file; release delays at 50 Hz; growth put into real logs;
then the coverage of limit dates by wear law, unlogged steps, and the times of the large
table beside a bare read of the same columns. ``--only NAME`` prints one of them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1] / "wear"))
from gravity_arm import JOINTS, year
from histories_of_physics import PHYSICS, kind
from known_truth import Known
from makers import BEGIN, LAWS, no_notes, note, unit

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import load_map
from replay.records import Session
from replay.wear import fleet, indicators, trends, unit_history
from replay.wear.assessment.assessing import assess
from replay.wear.assessment.change_points import make_ready
from replay.wear.assessment.trends import judge
from replay.wear.histories.history import histories
from replay.wear.indicators import SCHEMA
from replay.wear.units.fleet import fleet_of


def slopes(count: int) -> None:
    """Coverage of the nominal 90 % and false rises, over sizes and memories."""
    for memory in (0.0, 0.3):
        held = []
        false = flat = 0
        for k in range(count):
            rng = np.random.default_rng([k, 5])
            made = []
            for j in range(7):
                growth = 0.0 if j < 4 else float(rng.uniform(0.02, 0.5))
                sessions = int(rng.integers(60, 600))
                made.append(
                    unit(
                        [k, j],
                        serial=f"TU-{j}",
                        joint=f"J{j}",
                        sessions=sessions,
                        growth=growth,
                        memory=memory,
                        noise=float(rng.uniform(0.01, 0.06)),
                        season=float(rng.uniform(0, 0.15)),
                        years=float(rng.uniform(0.8, 4.0)),
                    )
                )
            found = judge(pl.concat([m.rows for m in made]), no_notes(), {})
            for t in found:
                m = made[int(t.serial[-1])]
                true = (m.truth[-1] - m.truth[0]) / (m.years[-1] - m.years[0])
                held.append(t.slope_low <= true <= t.slope_high)
                if int(t.serial[-1]) < 4:
                    flat += 1
                    false += t.result == "rising"
        print(
            f"memory {memory}: slope interval held {np.mean(held):.3f} of {len(held)}, "
            f"false rising {false / flat:.4f} of {flat} flat units"
        )


def detection(count: int) -> None:
    """Share of histories in which 20 % over 200 sessions was found before half of it."""
    found = 0
    for k in range(count):
        made = [
            unit([k, j, 9], serial=f"TU-{j}", joint=f"J{j}", sessions=200,
                 growth=0.2 if j == 0 else 0.0, missing=False)
            for j in range(7)
        ]  # fmt: skip
        early = pl.concat([m.rows.head(100) for m in made])
        result = {t.serial: t.result for t in judge(early, no_notes(), {})}
        found += result["TU-0"] == "rising"
    print(f"20 % over 200 sessions found by session 100: {found / count:.2f} of {count}")


def steps(count: int) -> None:
    """Histories without a step that are asked about, and drops found, dated and seen through."""
    asked = dict.fromkeys(LAWS, 0)
    for law in LAWS:
        for k in range(count):
            rng = np.random.default_rng([k, 77])
            made = unit([k, 77, 1], law=law, growth=float(rng.uniform(0, 0.8)),
                        sessions=int(rng.integers(40, 400)), years=float(rng.uniform(0.8, 4.0)),
                        noise=float(rng.uniform(0.01, 0.06)), season=float(rng.uniform(0, 0.15)),
                        memory=float(rng.choice([0, 0, 0.3])))  # fmt: skip
            history = next(iter(histories(made.rows, no_notes(), use=pl.DataFrame())))
            asked[law] += bool(assess(history).asked)
    print(f"asked about without a step, of {count} each: {asked}")
    for drop, growth in ((0.2, 0.0), (0.2, 0.2), (0.2, 0.4), (0.1, 0.2)):
        found = dated = covered = 0
        for k in range(count):
            made = unit([k, 5], growth=growth, sessions=80, years=1.4, noise=0.04)
            cut, size = 0.52 * 1.4, drop * 1.2
            values = made.rows["value"].to_numpy() - np.where(made.years >= cut, size, 0.0)
            rows = made.rows.with_columns(pl.Series("value", values))
            a = assess(next(iter(histories(rows, no_notes(), use=pl.DataFrame()))))
            if a.asked:
                step = a.asked[-1]
                found += 1
                dated += made.years[max(step.after, 0)] <= cut <= made.years[step.before]
                covered += a.slope.low <= growth * 1.2 / 1.4 <= a.slope.high
        print(
            f"a drop of {drop:.0%} in growth of {growth:.0%} over 80 sessions: found {found} of "
            f"{count}; of these dated {dated}, slope interval held {covered}"
        )


ACCUSED = ("past limit", "worsening", "unlike its peers")
TENTHS = tuple(range(1, 11))
ASKED = 2.054
"""Standard errors from which least squares calls a rise: one-sided 2 %, as a unit is judged."""


def against_truth(name: str, count: int, tenths: Sequence[int] = TENTHS) -> None:
    """One physics: accusations, coverage by tenth, and calling of a growth by half of it."""
    accused: dict[str, int] = {}
    unit_years = 0.0
    held: dict[int, list[bool]] = {tenth: [] for tenth in tenths}
    dated: dict[int, list[bool]] = {tenth: [] for tenth in tenths}
    for k in range(count):
        rng = np.random.default_rng([k, 41])
        sessions, years = int(rng.integers(60, 300)), float(rng.uniform(1.0, 3.0))
        growths = [0.0, 0.0, 0.0, *rng.uniform(0.1, 0.6, 3)]
        made = kind(name, k, growths=growths, sessions=sessions, years=years,
                    noise=float(rng.uniform(0.015, 0.05)))  # fmt: skip
        found = judge(pl.concat([m.rows for m in made]), no_notes(), {})
        for row in fleet_of(found, {}).iter_rows(named=True):
            if int(row["serial"][-2:]) < 3:
                unit_years += years
                accused[row["attention"]] = accused.get(row["attention"], 0) + 1
        bounds = {
            f"TU-{j:02d}/friction at usual rate": _limit_of(m) for j, m in enumerate(made) if j >= 3
        }
        for tenth in tenths:
            _at(tenth / 10, made, years, bounds, held[tenth], dated[tenth])
    wrong = sum(accused.get(word, 0) for word in ACCUSED)
    print(
        f"{name}: {wrong} of {3 * count} healthy units accused in {unit_years:.0f} unit-years "
        f"({wrong / unit_years:.2%} a unit-year); {accused}"
    )
    for what, shares in (("slope", held), ("limit date", dated)):
        by_tenth = " ".join(f"{np.mean(v):.2f}/{len(v)}" if v else "-" for v in shares.values())
        everything = [h for v in shares.values() for h in v]
        print(f"{name}: {what} intervals held {np.mean(everything):.3f}; by tenth {by_tenth}")
    _called(name, count)


def _at(share, made: list[Known], years, bounds, held, dated) -> None:
    """Stand at a share of the history, judge all units, and count the intervals that held."""
    until = [int(np.searchsorted(m.years, share * years, side="right")) for m in made]
    seen = pl.concat([m.rows.head(n) for m, n in zip(made, until, strict=True)])
    for t in judge(seen, no_notes(), bounds):
        if t.slope_per_year is None:
            continue
        j = int(t.serial[-2:])
        m, n = made[j], until[j]
        held.append(bool(t.slope_low <= m.slope(n) <= t.slope_high))
        projection = t.detail.get("projection")
        crossed = None if projection is None else _crossing(m, n, t.detail["reference"])
        if crossed is None or projection["word"] == "passed" or n < 16:
            continue
        low, high = (projection[k] for k in ("date_low", "date_high"))
        when = BEGIN + timedelta(days=365.25 * crossed)
        dated.append(bool((low is None or low <= when) and (high is None or when <= high)))


def _limit_of(m: Known) -> float:
    grown = m.truth[-1] - m.truth[0]
    return float(m.truth[0] + 0.9 * grown + m.known_at({}, len(m.years)))


def _crossing(m: Known, until: int, usual: dict[str, float]) -> float | None:
    """Return when the level under the conditions usual so far passes the limit, if ahead."""
    level = m.truth + m.known_at(usual, until)
    at = float(np.interp(_limit_of(m), level, m.years, right=np.nan))
    return at if np.isfinite(at) and at > m.years[until - 1] else None


def _called(name: str, count: int) -> None:
    """A growth of 20 % over 200 sessions, at half of it, beside least squares."""
    ours = best = 0
    for k in range(2 * count):
        made = kind(name, 1000 + k, growths=[0.2, 0, 0, 0, 0, 0], sessions=200, years=2.0,
                    noise=0.055)  # fmt: skip
        early = pl.concat([m.rows.head(100) for m in made])
        found = {t.serial: t.result for t in judge(early, no_notes(), {})}
        ours += found["TU-00"] == "rising"
        slope, error = made[0].least_squares(100)
        best += slope > ASKED * error
    print(
        f"{name}: 20 % called by half of it in {ours} of {2 * count}; least squares that knows "
        f"conditions and spreads {best}"
    )


def gravity(count: int) -> None:
    """Arms under gravity, no arm file, no temperature: healthy ones, and one joint that wears."""
    for growth in (0.0, 0.6):
        words: dict[str, int] = {}
        called = of = 0
        for k in range(count):
            with tempfile.TemporaryDirectory() as folder:
                archive = open_archive(Path(folder) / "archive", create=True)
                grown = [growth, 0, 0, growth, 0, 0]
                for n, (start, frame) in enumerate(
                    year(100 + k, growth=grown, swing_c=6.0, seconds=60.0)
                ):
                    _add(archive, n, frame, start)
                indicators(archive)
                for row in fleet(archive).iter_rows(named=True):
                    if growth and row["joint"] in ("J1", "J4"):
                        called += row["attention"] == "worsening"
                        of += 1
                    else:
                        words[row["attention"]] = words.get(row["attention"], 0) + 1
        wrong = sum(words.get(word, 0) for word in ACCUSED)
        total = sum(words.values())
        print(
            f"gravity without arm file, growth {growth:.0%}: {wrong} of {total} healthy unit-years "
            f"accused {words}; growing ones called {called} of {of}"
        )


def _add(archive, number, frame, start) -> None:
    names = tuple(c for c in frame.columns if c != "time")
    record = Session(
        session=f"S{number:04d}", source=f"run{number}.csv", arm="Cedar", rows=frame.height,
        start=start, end=start + timedelta(seconds=60), joints=JOINTS,
        units={j: f"U-{j}" for j in JOINTS}, channels={"main": names},
    )  # fmt: skip
    archive.add_session(record, {"main": frame})


def delays(count: int) -> None:
    """Release delays that grow, read at 50 Hz by clocks that run free or are followed."""
    step = 0.02
    for locked in (False, True):
        for growth in (0.0, 0.02, 0.08):
            called = held = 0
            for k in range(count):
                rng = np.random.default_rng([k, 55, locked])
                t = np.sort(rng.uniform(0, 2, 60))
                spread, between = rng.uniform(0.001, 0.006), rng.uniform(0.0005, 0.004)
                rows = []
                for n, at in enumerate(t):
                    own = 0.06 + growth * at + between * rng.normal()
                    delay = np.maximum(own + spread * rng.normal(size=rng.integers(1, 6)), 1e-3)
                    asked = 0.0 if locked else rng.uniform(0, step, len(delay))
                    seen = np.ceil((delay - asked) / step) * step
                    low, high = np.maximum(seen - step, 0), seen + step
                    start = BEGIN + timedelta(days=365.25 * at)
                    rows.append(
                        dict.fromkeys(SCHEMA)
                        | {"session": f"S{n}", "arm": "Heron", "joint": "J1", "serial": "TU-1",
                           "indicator": "brake release answer", "unit": "s",
                           "value": float(np.median((low + high) / 2)), "se": 0.0115,
                           "n": len(low), "start": start, "at": start, "posture_told": True,
                           "bracket_low": low.tolist(), "bracket_high": high.tolist()}
                    )  # fmt: skip
                (found,) = judge(pl.DataFrame(rows, schema=SCHEMA), no_notes(), {})
                called += found.result == "rising"
                held += found.slope_low <= growth <= found.slope_high
            print(
                f"release delay {1e3 * growth:.0f} ms a year at 50 Hz, clock "
                f"{'followed' if locked else 'free'}: called within two years {called} of "
                f"{count}, interval held {held}"
            )


def real_logs() -> None:
    """Semi-synthetic growth of friction in the mill's axes, one run a week; nothing as control."""
    root = Path(__file__).parents[2]
    runs = sorted((root.parent / "shared" / "data" / "cnc_mill").glob("experiment_*.csv"))
    if not runs:
        print("the milling runs are not in ../shared/data")
        return
    text = (root / "tests" / "data" / "maps" / "mill.toml").read_text()
    for share in (0.0, 0.25, 0.5, 1.0):
        with tempfile.TemporaryDirectory() as folder:
            archive = open_archive(Path(folder) / "archive", create=True)
            for week, run in enumerate(runs):
                table = pl.read_csv(run)
                for axis in "XY":
                    moved = f"{axis}1_ActualVelocity"
                    more = share * 4.5 * week / (len(runs) - 1)
                    table = table.with_columns(
                        pl.col(f"{axis}1_CurrentFeedback")
                        + more * pl.col(moved).sign() * (pl.col(moved).abs() > 0.3)
                    )
                log = Path(folder) / run.name
                table.write_csv(log)
                day = date(2018, 1, 1) + timedelta(weeks=week)
                ingest(archive, [log], log_map=load_map(text.replace("2018-01-01", f"{day}")))
            indicators(archive)
            found = [t for t in trends(archive) if t.slope_per_year is not None]
            said = [
                f"{t.joint} {t.indicator} {t.result} {t.slope_per_year:+.1f} "
                f"({t.slope_low:+.1f} to {t.slope_high:+.1f})"
                for t in found
                if t.indicator == "friction at usual rate" or t.result != "steady"
            ]
            true = share * 4.5 * 52.18 / (len(runs) - 1)
            print(f"mill, growth of {share:.0%} of Coulomb ({true:.1f} A a year): {said}")


SHARES = (0.5, 0.6, 0.7, 0.8, 0.9)


def dates(count: int) -> None:
    """Coverage of limit dates by the path of the command, per wear law and circumstance.

    Histories of 60 to 600 sessions over 0.8 to 4 years with seasons, missing
    months, an earlier unit at the same place and changes of the base end. One
    stands at half to nine tenths of the way; the truth is the crossing under the
    conditions that the date is for. Intervals of a share are by the bootstrap
    over histories, whose five looks ahead are not independent.
    """
    looks: list[dict] = []
    for law in LAWS:
        if law != "none":
            for k in range(count):
                looks += _looks(law, k)
    for law in dict.fromkeys(look["law"] for look in looks):
        _told(law, [look for look in looks if look["law"] == law])
    _told("all laws", looks)
    for low, high in ((60, 100), (100, 200), (200, 350), (350, 601)):
        _told(f"{low} to {high} sessions", [k for k in looks if low <= k["sessions"] < high])
    for name in ("season", "missing months", "swapped unit", "memory"):
        for value in (False, True):
            _told(f"{name}: {value}", [look for look in looks if look[name] == value])


def _looks(law: str, k: int) -> list[dict]:
    rng = np.random.default_rng([k, 31])
    sessions = int(np.exp(rng.uniform(np.log(60), np.log(600))))
    season, memory = float(rng.choice([0, 0.05, 0.1, 0.15])), float(rng.choice([0, 0, 0.3]))
    years, growth = float(rng.uniform(0.8, 4.0)), float(rng.uniform(0.3, 0.8))
    missing, swapped = bool(rng.random() < 0.6), bool(rng.random() < 0.3)
    made = unit([k, 32], law=law, sessions=sessions, season=season, memory=memory, years=years,
                growth=growth, missing=missing, noise=float(rng.uniform(0.015, 0.05)))  # fmt: skip
    rows, notes = made.rows, no_notes()
    if swapped:
        back = timedelta(days=400)
        before = unit([k, 33], growth=0.4, sessions=max(20, sessions // 3), season=season,
                      years=1.0, missing=False).rows.with_columns(
            pl.col("start") - back, pl.col("at") - back, ("O" + pl.col("session")).alias("session")
        )  # fmt: skip
        rows = pl.concat([before, rows])
        notes = note("TU-101", BEGIN - timedelta(hours=1), "replaced")
    limit = float(made.truth[0] + 0.9 * (made.truth[-1] - made.truth[0]))
    grid = np.linspace(0, 2.5 * years, 10_001)
    course = 1.2 * (1 + growth * LAWS[law](grid / years))
    way = float(np.interp(limit, course, grid)) - made.years[0]
    looks = []
    for share in SHARES:
        at = made.years[0] + share * way
        if (made.years <= at).sum() < 16:
            continue
        seen = rows.filter(pl.col("start") <= BEGIN + timedelta(days=at * 365.25))
        history = next(iter(histories(seen, notes, use=pl.DataFrame())))
        found = assess(history, limit=limit).projection
        usual = history.adjusted.reference
        cold = (18 - usual.get("temperature_c", 18)) / 11
        shift = 1.2 * season * (cold + 0.15 * cold**2) + 0.0012 * (usual.get("load_nm", 30) - 30)
        crossed = float(np.interp(limit, course + shift, grid)) - made.years[0]
        low, high = (np.inf if v is None else v for v in (found.low, found.high))
        looks.append(
            {"law": law, "history": (law, k), "sessions": sessions, "season": season > 0,
             "missing months": missing, "swapped unit": swapped, "memory": memory > 0,
             "held": low <= crossed <= high, "early": crossed < low}
        )  # fmt: skip
    return looks


def _told(name: str, looks: list[dict]) -> None:
    if not looks:
        return
    by_history: dict[object, list[bool]] = {}
    for look in looks:
        by_history.setdefault(look["history"], []).append(look["held"])
    held = np.array([sum(h) for h in by_history.values()])
    of = np.array([len(h) for h in by_history.values()])
    pick = np.random.default_rng(0).integers(0, len(of), (2000, len(of)))
    low, high = np.quantile(held[pick].sum(1) / of[pick].sum(1), [0.05, 0.95])
    early = np.mean([look["early"] for look in looks])
    share = held.sum() / of.sum()
    print(
        f"limit dates, {name}: {share:.3f} ({low:.3f} to {high:.3f}) of {of.sum()} intervals over "
        f"{len(of)} histories held; truth earlier {early:.3f}, later {1 - share - early:.3f}"
    )


def speed(sessions: int, *, by_session: bool) -> None:
    """Times of the table and of one joint, beside a bare read of its columns.

    CPU seconds stand beside wall seconds: on a busy machine only they compare.
    """
    with tempfile.TemporaryDirectory() as folder:
        archive = open_archive(Path(folder) / "archive", create=True)
        names = ["friction at usual rate", "coulomb friction", "margin left", "brake drag",
                 "breakaway forward", "holding current"]  # fmt: skip
        names += [f"ripple at {k} per turn" for k in range(1, 15)]
        parts = [
            unit([j, i], serial=f"TU-{j}", joint=f"J{j}", indicator=name, sessions=sessions,
                 missing=False, years=10.0).rows
            for j in range(7)
            for i, name in enumerate(names)
        ]  # fmt: skip
        table = pl.concat(parts)
        if by_session:  # as sessions come in, all units and indicators in turn
            table = table.sort("session", maintain_order=True)
        archive.replace("indicators", table, session=["S00000"])
        path = str(Path(folder) / "archive" / "tables" / "indicators")
        floor = timed(
            lambda: pl.read_delta(path, columns=["serial", "indicator", "start", "value"])
        )
        cpu = time.process_time()
        make_ready()
        loading, cpu = time.process_time() - cpu, time.process_time()
        first = timed(lambda: trends(archive), 1)
        cpu = time.process_time() - cpu
        again = open_archive(Path(folder) / "archive")
        shown = timed(lambda: fleet(again))
        one = timed(lambda: unit_history(again, "TU-3", "coulomb friction"))
        print(
            f"{sessions} sessions x 7 x {len(names)}, rows "
            f"{'by session' if by_session else 'by unit'}: judging once {first:.2f} s "
            f"({cpu:.2f} s CPU, and {loading:.2f} for loading a library); then fleet table "
            f"{1e3 * shown:.0f} ms, one history {1e3 * one:.0f} ms; bare read of four columns "
            f"{1e3 * floor:.0f} ms; ratios {shown / floor:.2f} and {one / floor:.2f}"
        )


def timed(work, times: int = 5) -> float:
    """Return the median time of some calls, in seconds."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begin)
    return float(np.median(spent))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40, help="histories a figure (40)")
    parser.add_argument("--sessions", type=int, default=10_000, help="of the large table")
    parser.add_argument("--only", help="one figure: " + ", ".join(PHYSICS) + ", or a function")
    parser.add_argument("--tenths", type=int, nargs="+", default=TENTHS, help="looks (all ten)")
    options = parser.parse_args()
    figures = {
        name: (lambda n=name: against_truth(n, options.count, options.tenths)) for name in PHYSICS
    } | {
        "gravity": lambda: gravity(max(options.count // 4, 1)),
        "delays": lambda: delays(options.count),
        "real_logs": real_logs,
        "slopes": lambda: slopes(options.count),
        "detection": lambda: detection(options.count),
        "steps": lambda: steps(options.count),
        "dates": lambda: dates(options.count),
        "speed": lambda: [speed(options.sessions, by_session=b) for b in (False, True)],
    }
    for chosen, figure in figures.items():
        if options.only in (None, chosen):
            figure()
