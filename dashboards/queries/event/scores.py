"""Which detector fired, the score through time, and what another limit would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from dashboards.failure_words import failure_text
from dashboards.queries.event.events import Event, baseline_of
from replay.archive import Archive
from replay.errors import JointbookError

RATES = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)
"""False flags per 100 joint-hours that the what-if offers."""


@dataclass(frozen=True, slots=True)
class Scores:
    """The score of one joint of one session through time.

    ``trace`` has ``time``, one column a detector (healthy spreads) and
    ``score``; ``asked`` is the rate of false flags the baseline was learned
    for, ``limit`` the score it stands for, ``version`` the baseline.
    """

    trace: pl.DataFrame
    asked: float
    limit: float
    version: str

    @property
    def detectors(self) -> list[str]:
        """Names of the detectors that had anything to say."""
        return [
            c
            for c in self.trace.columns
            if c not in ("time", "score") and self.trace[c].null_count() < self.trace.height
        ]


def scores_of(archive: Archive, event: Event) -> Scores | str:
    """Return the scores of an event's joint, or why there are none."""
    from replay.checks import score_trace

    try:
        baseline = baseline_of(archive, event)
        if baseline is None:
            return "There is no baseline in this archive: learn one on the library page."
        trace = score_trace(archive, event.record.session, event.joint, baseline)
    except JointbookError as error:
        return failure_text(error)
    if trace["score"].null_count() == trace.height:
        return f"Baseline {baseline.version} does not know the unit {event.serial}."
    return Scores(trace, baseline.asked, limit_of(baseline.asked), baseline.version)


def limit_of(rate: float) -> float:
    """Return the score at which ``rate`` false flags per 100 joint-hours are due.

    >>> round(limit_of(1.0), 3)
    2.002
    """
    from replay.checks.promise import score_limit_for

    return score_limit_for(rate)


def loudest(scores: Scores, start: datetime, end: datetime) -> pl.DataFrame:
    """Return the detectors by how far they went in the blocks a span touches: ``detector, most``.

    ``most`` is the largest size in healthy spreads, with its sign.
    """
    inside = touched(scores.trace, start, end)
    rows = []
    for name in scores.detectors:
        values = inside[name].drop_nulls()
        if values.len():
            at = values.abs().arg_max()
            rows.append({"detector": name, "most": float(values[at]) if at is not None else 0.0})
    frame = pl.DataFrame(rows, schema={"detector": pl.String, "most": pl.Float64})
    return frame.sort(pl.col("most").abs(), descending=True)


def touched(trace: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    """Return the blocks that a span touches: a short one may hold no block's middle."""
    step = trace["time"].diff().median()
    half = step / 2 if isinstance(step, timedelta) else timedelta()
    return trace.filter(pl.col("time").is_between(start - half, end + half))


def told_detectors(event: Event, loud: pl.DataFrame) -> list[tuple[str, float | None, str]]:
    """Return detectors, values and where a value is from, for the table of an event.

    ``loud`` are the rows of `loudest`. The detector that the flag names is there too where no
    block of the span has it, with the flag's own value, None where it keeps none.
    """
    rows: list[tuple[str, float | None, str]] = [
        (r["detector"], r["most"], "") for r in loud.iter_rows(named=True)
    ]
    named = dict(event.evidence)
    name = named.get("detector")
    if name is None or column_of(name, loud["detector"].to_list()) is not None:
        return rows
    try:
        value = float(named.get("detector value", ""))
    except ValueError:
        value = None
    return [(name, value, "as the flag keeps it; no block here has it"), *rows]


def drawn_detectors(scores: Scores, event: Event, loud: pl.DataFrame, most: int = 4) -> list[str]:
    """Return the detectors to draw: the one that flagged, where it has a trace, and the loudest."""
    own = column_of(dict(event.evidence).get("detector", ""), scores.detectors)
    names = loud["detector"].to_list()
    first = [own] if own is not None and own not in names[:most] else []
    return [*first, *names][:most]


def column_of(statistic: str, columns: Sequence[str]) -> str | None:
    """Return the detector that a flag's statistic is of: a window's length may follow its name.

    >>> column_of("push 2s", ["held push", "push"]), column_of("swing", ["push"])
    ('push', None)
    """
    mine = [c for c in columns if statistic == c or statistic.startswith(f"{c} ")]
    return max(mine, key=len, default=None)


def spans_above(scores: Scores, limit: float) -> pl.DataFrame:
    """Return the stretches at or above a limit: ``start, end, peak``."""
    above = pl.col("score") >= limit
    return (
        scores.trace.lazy()
        .drop_nulls("score")  # where nothing is judged, nothing ends
        .select("time", "score", above.alias("above"), above.rle_id().alias("run"))
        .filter("above")
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("time").first().alias("start"),
            pl.col("time").last().alias("end"),
            pl.col("score").max().alias("peak"),
        )
        .drop("run")
        .collect()
    )


def what_if(scores: Scores, event: Event, rate: float) -> dict[str, float | int | bool]:
    """Say what another limit would have done to this joint in this session.

    ``peak`` is the flag's own score, one figure on the whole page; of a span that is no flag the
    largest score in it. ``trace`` is the largest of the score through time in the event: there
    every detector is judged by itself, in a flag what one found is taken out before the next.
    """
    limit = limit_of(rate)
    spans = spans_above(scores, limit)
    inside = touched(scores.trace, event.start, event.end)["score"].max()
    trace = float(inside) if isinstance(inside, float) else 0.0
    peak = trace if event.score is None else event.score
    return {
        "limit": limit,
        "stretches": spans.height,
        "peak": peak,
        "trace": trace,
        "flagged": peak >= limit,
    }
