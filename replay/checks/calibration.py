"""How well a baseline keeps its word on sessions that it was not fitted on."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.checks.checking import judge
from replay.models.baselines import Baseline, load_baseline
from replay.models.readings import read_session
from replay.statistics.rates import rate_interval

RATES = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
"""Nominal rates shown, events per 100 joint-hours."""


def calibration(
    archive: Archive,
    baseline: Baseline | str | None = None,
    *,
    sessions: Iterable[str] | None = None,
) -> pl.DataFrame:
    """Return nominal against observed rates of flags.

    Without ``sessions``: on the baseline's own training sessions, each judged
    by fits that left it out, as kept in the baseline. With ``sessions``, which
    should be healthy and not among those that taught it: by checking them now.

    Returns
    -------
    polars.DataFrame
        ``nominal`` and ``observed`` (per 100 joint-hours), ``low`` and
        ``high`` (90 % interval of the observed), ``events``, ``joint_hours``.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    if sessions is None:
        scores = np.array(known.calibration.get("scores", []))
        hours = known.hours
    else:
        values: list[float] = []
        hours = 0.0
        asked = known.asked
        known.asked = RATES[-1]
        for name in sessions:
            record = archive.session(name)
            result = judge(record, read_session(archive, record), known)
            values += [flag.score for flag in result.flags]
            hours += result.joint_hours
        known.asked = asked
        scores = np.array(values)
    rows = []
    for nominal in RATES:
        limit = -np.log10(-np.expm1(-nominal / 100))
        events = int(np.sum(scores >= limit))
        low, high = rate_interval(events, hours)
        rows.append(
            {
                "nominal": nominal,
                "observed": 100 * events / hours if hours else None,
                "low": 100 * low,
                "high": 100 * high,
                "events": events,
                "joint_hours": hours,
            }
        )
    return pl.DataFrame(rows, schema_overrides={"observed": pl.Float64})
