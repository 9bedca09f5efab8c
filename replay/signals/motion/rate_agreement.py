"""Logged rates beside those from angles: do both tell of the same motion."""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.signals.carry import interpolated
from replay.signals.channels import Channels
from replay.signals.motion.measured import motions
from replay.statistics.noise import difference_noise
from replay.statistics.spread import spread_about_zero
from replay.units import channel

AGREEMENT_SCHEMA: dict[str, pl.DataType] = {
    "joint": pl.String(),
    "n": pl.Int64(),
    "scale": pl.Float64(),  # logged rate per rate from angles
    "scale_se": pl.Float64(),
    "offset_deg_s": pl.Float64(),
    "offset_se_deg_s": pl.Float64(),
    "spread_deg_s": pl.Float64(),  # robust standard deviation of what is left
    "expected_spread_deg_s": pl.Float64(),  # what the noise of both would make it
}
"""Columns of `rate_agreement`."""
LEAST_ROWS = 30


def rate_agreement(archive: Archive, session: str) -> pl.DataFrame:
    """Compare logged rates with those from angles, joint by joint.

    Returns
    -------
    DataFrame
        Columns of `AGREEMENT_SCHEMA`; no row for a joint that lacks one of
        the two. A scale of 1 and an offset of 0 is agreement; 0.01745 or 57.3
        is a mix-up of degrees and radians, -1 one of sign.
    """
    record = archive.session(session)
    channels = Channels(archive, record, record.joints)
    rows = []
    for joint in record.joints:
        angles = channels.numbers(channel(joint, "angle_deg"))
        logged = channels.numbers(channel(joint, "rate_deg_s"))
        if len(angles.values) < LEAST_ROWS or len(logged.values) < LEAST_ROWS:
            continue
        derived = motions({joint: angles}, {}, {})[joint]
        ours = interpolated(logged.time_ns, derived.time_ns, derived.rate_deg_s)
        error = interpolated(logged.time_ns, derived.time_ns, derived.rate_se_deg_s)
        known = np.isfinite(ours) & np.isfinite(error)
        if known.sum() < LEAST_ROWS or np.ptp(ours[known]) <= 0:
            continue
        rows.append({"joint": joint, **_compare(ours[known], logged.values[known], error[known])})
    columns = {name: [row[name] for row in rows] for name in AGREEMENT_SCHEMA}
    return pl.DataFrame(columns, schema=AGREEMENT_SCHEMA, strict=False)


def _compare(ours: np.ndarray, logged: np.ndarray, error: np.ndarray) -> dict[str, object]:
    kept = np.ones(len(ours), dtype=bool)
    for _ in range(4):  # corners of the motion, which a window rounds off, are left out
        x = ours[kept]
        centre = x - x.mean()
        power = float(centre @ centre)
        scale = float(centre @ logged[kept]) / power
        offset = float(logged[kept].mean() - scale * x.mean())
        left = logged - offset - scale * ours
        spread = spread_about_zero(left[kept])
        kept = np.abs(left) <= max(4 * spread, 1e-12)
    count = int(kept.sum())
    logged_noise = difference_noise(logged, 3)
    return {
        "n": count,
        "scale": scale,
        "scale_se": spread / np.sqrt(power),
        "offset_deg_s": offset,
        "offset_se_deg_s": spread * np.sqrt(1 / count + ours[kept].mean() ** 2 / power),
        "spread_deg_s": spread,
        "expected_spread_deg_s": float(np.hypot(np.median(error), logged_noise)),
    }
