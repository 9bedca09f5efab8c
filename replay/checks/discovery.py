"""Flags that hold up over many sessions at a stated false discovery rate.

Benjamini and Hochberg's procedure over joint-sessions: each contributes the
chance that a healthy one of its length shows anything as rare as its best
flag, 1 for those without a flag.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.checks.stored import FLAG_SCHEMA, flags
from replay.statistics.false_discovery import adjusted_p_values

FALSE_DISCOVERY_RATE = 0.10


def discoveries(
    archive: Archive, sessions: Iterable[str] | None = None, *, level: float = FALSE_DISCOVERY_RATE
) -> pl.DataFrame:
    """Return the flags that hold at this false discovery rate.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str, optional
        All by default.
    level : float
        Share of false ones among the flags returned that is accepted, 0 to 1.

    Returns
    -------
    polars.DataFrame
        Columns of `replay.checks.flags` and ``q``, the adjusted p-value.
    """
    names = list(sessions) if sessions is not None else None
    frame = flags(archive, names)
    done = archive.table("checks")
    if not frame.height or not done.width:
        return pl.DataFrame(schema=FLAG_SCHEMA | {"q": pl.Float64()})
    hours = dict(zip(done["session"], done["joint_hours"], strict=True))
    known = [n for n in (names if names is not None else hours) if n in hours]
    joints = {n: max(len(archive.session(n).joints), 1) for n in known}
    total = sum(joints.values())
    per_joint = np.array([hours.get(s, 0.0) / joints.get(s, 1) for s in frame["session"].to_list()])
    p = -np.expm1(per_joint * np.log1p(-np.minimum(10.0 ** -frame["score"].to_numpy(), 1 - 1e-12)))
    best = (
        frame.with_columns(pl.Series("p", p))
        .group_by("session", "joint", maintain_order=True)
        .agg(pl.col("p").min())
    )
    padded = np.ones(max(total, best.height))
    padded[: best.height] = best["p"].to_numpy()
    q = adjusted_p_values(padded)[: best.height]
    held = best.with_columns(pl.Series("q", q)).filter(pl.col("q") <= level)
    return frame.join(held.select("session", "joint", "q"), on=["session", "joint"], how="inner")
