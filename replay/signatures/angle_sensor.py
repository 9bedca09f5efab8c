"""Angle sensor: it jumps, stands still, or drifts away from where the joint is.

A jump is a travel between two rows that neither the rows before nor those on both
sides foretell (`replay.signatures.motion.innovation`); what stands still shows it by the
travel it has to catch up with, or by the dither that is missing; a drift
parts the angle from the integral of the logged rate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from replay.models.residuals import HELD, JointResiduals
from replay.signatures.brake_slip import AT_ONCE
from replay.signatures.kinds import Facts, Shape, Signature
from replay.signatures.marks import (
    Mark,
    Measure,
    Norm,
    Seen,
    best_per_minute,
    one_nat,
    prior_rows,
    runs,
)
from replay.signatures.motion.following import LONG_S, shortfalls
from replay.signatures.motion.innovation import CELLS, FEWEST_ROWS, innovations
from replay.signatures.stall import by_the_sensor, missing
from replay.signatures.stick_slip import repeats
from replay.signatures.track import Floats, Track
from replay.statistics.spread import wide_spread

APART_S = 0.4
"""Two steps closer than this are one."""

LARGEST = 40
"""Steps of a session, joint and circumstance that are kept."""


def steps(track: Track) -> Seen:
    """Find rows whose angle is not what the rows about it foretell."""
    if np.isfinite(track.angle_deg).sum() < FEWEST_ROWS:
        return Seen((), {})
    step, cells = innovations(track)
    size = np.abs(np.nan_to_num(step))
    floor = max(0.3 * track.resolution_deg, 1e-9)
    apart = max(1, round(APART_S / max(track.period_s, 1e-6)))
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for number in np.unique(cells[np.isfinite(step)]):
        rows = np.flatnonzero((cells == number) & np.isfinite(step))
        if rows.size < 30:
            continue
        scale = max(wide_spread(size[rows]), floor)
        braked = number < CELLS
        cell = f"{'held' if braked else 'free'} {number % CELLS}"
        usual[cell] = (0.0, scale)
        for row in _peaks(rows, size[rows], apart, 3 * scale):
            detail = {
                "step_deg": float(step[row]),
                "braked": bool(braked),
                "at_once": _at_once(track.angle_deg, row),
            }
            begin, end = float(track.t_s[row - 1]), float(track.t_s[row])
            marks.append(Mark("angle step", cell, begin, end, float(size[row]), detail))
    return Seen(best_per_minute(marks), usual)


def _peaks(rows: np.ndarray, size: Floats, apart: int, least: float) -> list[int]:
    """Return the largest rows above a size, no two close together."""
    kept: list[int] = []
    for k in np.argsort(-size):
        if size[k] < least or len(kept) >= LARGEST:
            break
        row = int(rows[k])
        if all(abs(row - other) > apart for other in kept):
            kept.append(row)
    return kept


def _at_once(angle: Floats, row: int) -> float:
    """Return how much of the change over five rows happened between two of them."""
    piece = np.nan_to_num(angle[max(0, row - 3) : row + 3])
    whole = abs(piece[-1] - piece[0])
    return float(np.max(np.abs(np.diff(piece))) / whole) if whole > 0 else 0.0


SELDOM_EQUAL = 0.5
"""A channel of which fewer values are like the one before does not stand still by chance."""


def _equal(track: Track) -> tuple[Seen, Seen]:
    """Find runs of equal angles where the joint moved on, and where dither is missing."""
    angle = track.angle_deg
    same = np.zeros(angle.size, dtype=bool)
    same[1:] = angle[1:] == angle[:-1]
    first, last = runs(same)
    if not first.size:
        return Seen((), {}), Seen((), {})
    period = max(track.period_s, 1e-6)
    travel = np.concatenate(([0.0], np.cumsum(track.reference_deg_s[1:] * np.diff(track.t_s))))
    begin = first - 1
    due = np.abs(travel[last] - travel[begin])
    after = np.minimum(last + 1, angle.size - 1)
    then = np.minimum(last + 2, angle.size - 1)
    # what starts to move does not catch up: its first step is no longer than its next
    jump = np.abs(np.nan_to_num(angle[after] - angle[last]))
    jump = np.maximum(jump - np.abs(np.nan_to_num(angle[then] - angle[after])), 0.0)
    caught = np.minimum(due, 1.5 * jump)
    quiet = ~track.motion_due
    marks: list[Mark] = []
    still: list[Mark] = []
    floor = max(track.resolution_deg, 1e-9)
    usual: dict[str, Norm] = {
        "caught up": (0.0, max(float(np.mean(caught[due > 0])) if (due > 0).any() else 0.0, floor))
    }
    if quiet[1:].sum() > 50:
        equal = float((same & quiet).sum())
        usual["dither"] = one_nat(float(quiet.sum()), max(float(quiet.sum()) - equal, 1.0), track)
    length = last - begin
    beside = [c for c in (track.rate_deg_s, track.current_a) if np.isfinite(c).any()]
    lively = [c for c in beside if (c[1:] == c[:-1]).mean() < SELDOM_EQUAL]
    for cell, raw in (("caught up", caught), ("dither", length.astype(np.float64))):
        if cell not in usual:
            continue
        for k in np.argsort(-raw)[:100]:
            if length[k] < 3 or raw[k] <= 0:
                continue
            a, b = int(begin[k]), int(last[k])
            detail = {
                "level_deg": float(angle[a]),
                "expected_travel_deg": float(due[k]),
                "jump_deg": float(jump[k]),
                "samples": b - a + 1,
                "repeats_too": bool(lively) and all((c[a : b + 1] == c[a]).all() for c in lively),
            }
            into = marks if cell == "caught up" else still
            into.append(
                Mark(
                    "angle frozen" if cell == "caught up" else "angle dither",
                    cell,
                    float(track.t_s[a]),
                    float(track.t_s[b] + period),
                    float(raw[k]),
                    detail,
                )
            )
    return Seen(best_per_minute(marks), usual), Seen(
        best_per_minute(still), usual, prior_rows(track)
    )


def frozen(track: Track) -> Seen:
    """Find runs of equal angles where the joint moved on."""
    return _equal(track)[0]


def dither(track: Track) -> Seen:
    """Find runs of equal angles at rest where the last digit usually dithers."""
    return _equal(track)[1]


def drift(track: Track) -> Seen:
    """Find windows in which the angle travels other than the logged rate adds up to."""
    return shortfalls(track, "angle drift", track.rate_deg_s, LONG_S)


def sentence(facts: Facts) -> str:
    """Say the step, the level it stands at, or the travel that the rate does not tell of."""
    mark = facts.proof("angle step", "angle frozen", "angle dither", "angle drift")
    if mark is None:
        return (
            f"{facts.span} the angle departs from the command while the current stays as expected"
        )
    d = mark.detail
    if mark.measure == "angle step":
        size = d["step_deg"]
        step = f"{size:+.2f}" if abs(size) >= 0.1 else f"{size:+.2g}"
        return (
            f"the angle steps by {step} deg between two samples {facts.span}, more "
            "than the joint can move"
        )
    if mark.measure in {"angle frozen", "angle dither"}:
        stood = (
            f"the angle stands at exactly {d['level_deg']:.3f} deg {facts.span} while "
            f"{abs(d['expected_travel_deg']):.2f} deg of motion was due"
        )
        too = "; its other readings repeat too: the recorder may have stood, not the sensor"
        return stood + too * bool(d.get("repeats_too"))
    return (
        f"{facts.span} the angle travels {abs(mark.raw):.2f} deg "
        f"{'less' if mark.raw > 0 else 'more'} than the logged rate adds up to: a sensor rather "
        "than the joint"
    )


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim steps, freezes and drifts; of what leaves its place, what does so at once."""
    if any(m.measure == "swing" and repeats(m) for m in others):
        return 0.0  # what stops and runs on, again and again, is the joint
    if mark.measure == "slip":
        return float(mark.detail["at_once"] >= AT_ONCE)
    if mark.measure == "angle step":
        slipped = any(m.measure == "slip" for m in others)
        return float(not slipped or mark.detail["at_once"] >= AT_ONCE)
    if mark.measure == "behind":
        return float(any(by_the_sensor(m, missing(mark, others)) for m in others))
    return float(mark.measure in {"angle frozen", "angle dither", "angle drift"})


def parted(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return what an angle that is off does to the drive alone: the mechanism feels nothing."""
    return {"servo": np.where(joint.state == HELD, 0.0, 1.0)}


SIGNATURE = Signature(
    kind="angle-sensor",
    shapes=(Shape("following error off", "A", parted),),
    measures=(
        Measure("angle step", "deg", steps, by_cell=True, pooled=True),
        Measure("angle frozen", "deg", frozen, pooled=True),
        Measure("angle dither", "rows", dither),
        Measure("angle drift", "deg", drift, proof=False, pooled=True),
    ),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
    only_beside=True,
)
