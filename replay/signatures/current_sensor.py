"""Current sensor: an offset, a gain, a value that stands still or drops, single spikes.

The mechanism does what it did, so what the current's sensor adds is seen by the
plant's residual and by the drive's as well, and an offset stays under the brake.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from replay.models.residuals import HELD, Floats, JointResiduals
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
    spread,
)
from replay.signatures.track import Flags, Track
from replay.statistics.spread import wide_spread


def offset(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a constant on whatever is measured."""
    one = joint.regressors["constant"]
    held = joint.state == HELD
    return {"plant": one, "servo": np.where(held, 0.0, one), "rest": np.where(held, one, 0.0)}


def gain(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a share of the current: by the plant's prediction, and by the drive's."""
    drive = np.nan_to_num(joint.current_a - joint.servo.value)
    held = joint.state == HELD
    return {"plant": joint.regressors["gain"], "servo": np.where(held, 0.0, drive)}


LEAST_S = 10.0
"""A sensor's offset or gain that is gone sooner is a contact of its wires (common practice)."""

ROUGH_CELLS = 6
"""Neighbourhoods, each twice as rough as the one before."""


def frozen(track: Track) -> Seen:
    """Find runs of equal values, moving and still apart: some recorders repeat at rest."""
    current = track.current_a
    same = np.zeros(current.size, dtype=bool)
    same[1:] = current[1:] == current[:-1]  # NaN is never equal
    hole = np.diff(track.t_s, prepend=track.t_s[0]) > 3 * max(track.period_s, 1e-6)
    same &= ~hole
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    first, last = runs(same)
    length = last - first + 1
    moving = _share(track.motion_due, first, last) > 0.5
    for cell, mine in (("moving", moving), ("still", ~moving)):
        rows = track.motion_due if cell == "moving" else ~track.motion_due
        if not rows[1:].any():
            continue
        usual[cell] = one_nat(*_chain(same, rows), track)
        for k in np.flatnonzero(mine)[np.argsort(-length[mine])[:200]]:
            a, b = int(first[k]) - 1, int(last[k])
            if b - a < 3:
                continue
            detail = {"level_a": float(current[a]), "samples": b - a + 1}
            start, end = float(track.t_s[a]), float(track.t_s[b])
            marks.append(Mark("current frozen", cell, start, end, float(length[k]), detail))
    return Seen(best_per_minute(marks), usual, prior_rows(track))


def _chain(same: Flags, rows: Flags) -> tuple[float, float]:
    """Return equal values and runs of them among these rows, for the chance to stay equal."""
    inside = same & rows
    total = float(inside.sum())
    whole = float(rows.sum())
    # a run ends with every value that differs: the chance to stay is equal / all
    return (whole, max(whole - total, 1.0)) if whole else (0.0, 0.0)


def _share(mask: Flags, first: Floats, last: Floats) -> Floats:
    total = np.concatenate(([0], np.cumsum(mask)))
    return np.asarray((total[last + 1] - total[first]) / np.maximum(last - first + 1, 1))


def spikes(track: Track) -> Seen:
    """Find single samples beyond all four neighbours, in spreads of their own neighbourhood.

    A current that starts, stops or turns runs through its neighbours' range; a sample of
    the sensor's own leaves it on one side and is back at once.
    """
    current = track.current_a
    if current.size < 9:
        return Seen((), {})
    beside = np.stack([current[2 + k : current.size - 2 + k] for k in (-2, -1, 1, 2)])
    middle = current[2:-2]
    low, high = beside.min(axis=0), beside.max(axis=0)
    odd = np.nan_to_num(np.maximum(np.maximum(middle - high, low - middle), 0.0))
    step = np.abs(np.nan_to_num(np.diff(current)))
    fine = max(spread(step[step > 0]), 1e-9) if (step > 0).any() else 1e-9
    rough = np.nan_to_num(high - low) / fine
    cells = np.clip(np.floor(np.log2(np.maximum(rough, 1.0))), 0, ROUGH_CELLS - 1).astype(int)
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for number in np.unique(cells):
        rows = np.flatnonzero(cells == number)
        some = odd[rows][odd[rows] > 0]
        if some.size < 30:
            continue
        cell = f"rough {number}"
        scale = max(wide_spread(some), 0.3 * fine)
        usual[cell] = (0.0, scale)
        where = rows[odd[rows] > 3 * scale]
        for r in where[np.argsort(-odd[where])[:100]]:
            at = float(track.t_s[r + 2])
            marks.append(
                Mark("spike", cell, at, at, float(odd[r]), {"current_a": float(middle[r])})
            )
    return Seen(best_per_minute(marks), usual)


def sentence(facts: Facts) -> str:
    """Say what stands still, or by how much the current is off and where."""
    mark = facts.proof("current frozen", "spike")
    if mark is not None and mark.measure == "current frozen":
        return (
            f"the current stands at exactly {mark.detail['level_a']:.3f} A {facts.span} "
            f"({mark.end_s - mark.start_s:.1f} s)"
        )
    if mark is not None:
        return (
            f"single samples of current {facts.span} stand {mark.raw:.2f} A beyond all of "
            "their neighbours"
        )
    parts = ", ".join(
        f"{facts.ampere[name]:+.2f} A {word}"
        for name, word in (
            ("forward", "forward"),
            ("backward", "backward"),
            ("held", "with the brake engaged"),
        )
        if np.isfinite(facts.ampere.get(name, np.nan))
    )
    expected = facts.ampere.get("expected", float("nan"))
    usual = f" {expected:.2f} A" if np.isfinite(expected) else ""
    if facts.shape == "gain":
        return (
            f"{facts.span} the current is {facts.size:+.0%} off in proportion to the expected"
            f"{usual}{parts and f' ({parts})'}: the sensor's gain rather than the joint"
            + ("; less friction would fit as well, but seldom comes by itself" * (facts.size < 0))
        )
    return (
        f"{facts.span} the current is off{parts and f' by {parts}'}: the sensor rather than the "
        "joint"
    )


SIGNATURE = Signature(
    kind="current-sensor",
    shapes=(
        Shape("offset", "A", offset, least_s=LEAST_S),
        Shape("gain", "share", gain, least_s=LEAST_S),
    ),
    measures=(
        Measure("current frozen", "rows", frozen),
        Measure("spike", "A", spikes, by_cell=True, pooled=True),
    ),
    sentence=sentence,
)
