"""Gap: rows or values that the recorder usually delivers and here did not.

A recorder is a chain of two states, there and missing, with two chances: that a
value goes missing, and that it stays so. A run of ``n`` missing values is
``n ln(1 / stay)`` nats of surprise; so a recorder that often loses a
few values makes a short hole no finding, and one that never does makes it one.
"""

from __future__ import annotations

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
    runs,
)
from replay.signatures.track import Track

CHANNELS = {
    "current_a": "current",
    "angle_deg": "angle",
    "temperature_c": "temperature",
    "rate_cmd_deg_s": "commanded rate",
}
"""Brake words are left out: a word with no meaning in the map is null as well."""


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
    """Find runs of values that are missing in rows which are there, channel by channel."""
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for name, word in CHANNELS.items():
        gone = np.isnan(getattr(track, name))
        if not gone.any():
            usual[word] = one_nat(0.0, 0, track)
            continue
        if gone.all():
            continue  # not logged in this session
        first, last = runs(gone)
        length = last - first + 1
        usual[word] = one_nat(float(length.sum()), first.size, track)
        for k in np.argsort(-length)[:500]:
            a, b = int(first[k]), int(last[k])
            detail = {"channel": word, "seconds": float(track.t_s[b] - track.t_s[a])}
            marks.append(
                Mark(
                    "lost",
                    word,
                    float(track.t_s[a]),
                    float(track.t_s[b] + track.period_s),
                    float(length[k]),
                    detail,
                )
            )
    return Seen(best_per_minute(marks), usual, prior_rows(track))


def sentence(facts: Facts) -> str:
    """Say what was missing, and for how long."""
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
    return f"no {mark.detail['channel']} {facts.span} ({seconds})"


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
