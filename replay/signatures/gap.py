"""Gap: rows or values that the recorder usually delivers and here did not.

A recorder is a chain of two states, there and missing, with two chances: that a
value goes missing, and that it stays so. A run of ``n`` missing values is
``n ln(1 / stay)`` nats of surprise; so a recorder that often loses a
few values makes a short hole no finding, and one that never does makes it one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.signatures.kinds import Facts, Signature
from replay.signatures.marks import (
    Mark,
    Measure,
    Norm,
    Seen,
    best_per_minute,
    one_nat,
    prior_rows,
)
from replay.signatures.track import Floats, Track
from replay.wording import in_a_row

CHANNELS = {
    "current_a": "current",
    "angle_deg": "angle",
    "temperature_c": "temperature",
    "rate_cmd_deg_s": "commanded rate",
}
"""Brake words are left out: a word with no meaning in the map is null as well."""

BRAKES = {"brake_engaged": "brake state", "brake_engage_cmd": "brake command"}
"""Named only where they were silent together with a channel that was lost."""

TOGETHER = 0.5
"""What is missing over this share of another's absence was lost with it."""

MANY = 4
"""So many pauses of so many usual distances: the channel is told when it changes."""


def silence(track: Track) -> Seen:
    """Find rows that are missing altogether."""
    step = np.diff(track.t_s)
    missing = np.maximum(np.round(step / max(track.period_s, 1e-9)) - 1.0, 0.0)
    rows = np.flatnonzero(missing > 0)
    marks = [
        Mark(
            "silence",
            "rows",
            float(track.t_s[r]),
            float(track.t_s[r + 1]),
            float(missing[r]),
            {"seconds": float(step[r]), "rows": int(missing[r])},
        )
        for r in rows[np.argsort(-missing[rows])[:500]]
    ]
    return Seen(
        best_per_minute(marks),
        {"rows": one_nat(float(missing.sum()), rows.size, track)},
        prior_rows(track),
    )


def lost(track: Track) -> Seen:
    """Find values that are missing beside rows which are there, channel by channel.

    A channel may be told less often than the rows, every second one or on instants of
    its own; what counts is its own usual distance. One that is told when it changes has
    none, and nothing is said of it.
    """
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for name, word in CHANNELS.items():
        told = track.told_s.get(name, np.zeros(0))
        changes = name in track.on_change or (name in track.apart and not _regular(told))
        if told.size < 2 or changes:
            continue  # not logged in this session, or only when it changes
        period = max(track.period_s, float(np.median(np.diff(told[:20_000]))))
        ends = np.concatenate([[track.t_s[0] - period], told, [track.t_s[-1] + period]])
        step = np.diff(ends)
        missing = np.maximum(np.round(step / max(period, 1e-9)) - 1.0, 0.0)
        missing -= np.minimum(missing, _silent_rows(track, ends, period))
        rows = np.flatnonzero(missing > 0)
        usual[word] = one_nat(float(missing.sum()), rows.size, track)
        for k in rows[np.argsort(-missing[rows])[:500]]:
            start, end = float(max(ends[k] + period, track.t_s[0])), float(ends[k + 1])
            seconds = float(step[k] - period)
            detail = {"channel": word, "seconds": seconds, "brakes": _brakes(track, start, end)}
            detail["told_on_change"] = [w for n, w in BRAKES.items() if n in track.on_change]
            marks.append(Mark("lost", word, start, end, float(missing[k]), detail))
    return Seen(best_per_minute(marks), usual, prior_rows(track))


def _brakes(track: Track, start_s: float, end_s: float) -> list[str]:
    """Return the brake's words that were not told over most of a span."""
    least_s = TOGETHER * (end_s - start_s)
    return [
        word
        for name, word in BRAKES.items()
        if any(
            min(until, end_s) - max(since, start_s) >= least_s
            for since, until in track.silent_s.get(name, ())
        )
    ]


def _regular(told: Floats) -> bool:
    """Tell whether values come at even distances; those that tell of changes do not.

    A recorder of changes is silent time and again, a lost channel once or twice.
    """
    if told.size < 8:
        return False
    step = np.diff(told[:20_000])
    return bool(np.count_nonzero(step > MANY * np.median(step)) < MANY)


def _silent_rows(track: Track, ends: Floats, period: float) -> Floats:
    """Return how many values rows that are missing altogether would have had between two."""
    step = np.diff(track.t_s)
    hole = np.where(step > 1.5 * track.period_s, step - track.period_s, 0.0)
    gone = np.concatenate([[0.0], np.cumsum(hole)])
    at = np.interp(ends, track.t_s, gone)
    return np.asarray(np.round(np.diff(at) / max(period, 1e-9)))


def channels_lost(marks: Sequence[Mark], longest: Mark) -> list[str]:
    """Return the channels that were lost together with a mark's own, in the joint table's order."""
    least_s = TOGETHER * (longest.end_s - longest.start_s)
    words = {
        word
        for m in marks
        if m.measure == "lost"
        and min(m.end_s, longest.end_s) - max(m.start_s, longest.start_s) >= least_s
        for word in (m.detail["channel"], *m.detail.get("brakes", ()))
    }
    return [w for w in (*CHANNELS.values(), *BRAKES.values()) if w in words]


def sentence(facts: Facts) -> str:
    """Say what was missing, every channel of it, and for how long."""
    mark = facts.proof("silence", "lost", "repeats")
    if mark is None:
        return f"{facts.span} values are missing"
    seconds = f"{mark.end_s - mark.start_s:.1f} s"
    if mark.measure == "silence":
        return f"no sample {facts.span} ({seconds})"
    if mark.measure == "repeats":
        return (
            f"{facts.span} the recorder repeats itself: on {facts.joints} every value stands "
            f"still for {seconds}"
        )
    lost = in_a_row(channels_lost(facts.marks, mark), "or")
    return f"no sample of {lost} {facts.span} ({seconds})"


SIGNATURE = Signature(
    kind="gap",
    shapes=(),
    measures=(
        Measure("silence", "rows", silence),
        Measure("lost", "rows", lost),
    ),
    sentence=sentence,
    needs_mark=True,
)
