"""How well a baseline keeps its word on sessions that it was not fitted on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.checks import promise
from replay.checks.check import judge
from replay.checks.reading import read
from replay.models import Baseline, load_baseline
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
    by fits and tails that left it out, as kept in the baseline. With ``sessions``, which
    should be healthy and not among those that taught it: by checking them now.

    Parameters
    ----------
    archive : Archive
    baseline : Baseline or str, optional
        A baseline or its version; the latest by default.
    sessions : iterable of str, optional
        Healthy sessions to check.

    Returns
    -------
    polars.DataFrame
        ``nominal`` and ``observed`` (per 100 joint-hours), ``low`` and
        ``high`` (90 % interval of the observed), ``events``, ``joint_hours``.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    if sessions is None:
        scores = np.array(known.calibration["promise"]["scores"])
        owners = known.calibration["promise"]["sessions"]
        hours = promise.hours(known)
    else:
        values: list[float] = []
        owners = []
        hours = 0.0
        loose = replace(known, asked=RATES[-1])
        for name in sessions:
            result = judge(read(archive, name, known.model.filter_s), loose)
            lead = [flag.score for flag in result.flags if flag.evidence["lead"]]
            values += lead
            owners += [name] * len(lead)
            hours += result.joint_hours
        scores = np.array(values)
    rows = []
    for nominal in RATES:
        hit = np.flatnonzero(scores >= promise.score_limit_for(nominal))
        events = len(hit)
        # sessions are independent, what one session shows is not
        clusters, each = promise.clusters_of([owners[k] for k in hit])
        low, high = (each * bound for bound in rate_interval(clusters, hours))
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
