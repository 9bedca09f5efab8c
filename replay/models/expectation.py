"""The expected current on the rows of a joint table, for pages and for wear.

The tests work on filtered blocks; a page wants every sample. The same law is
asked with the table's own rates and accelerations.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from scipy.special import ndtri

from replay.arm import load_arm
from replay.arm.fluid_drag import FACE, fluid_drag
from replay.models.chains.chain import State, torques
from replay.models.conditions import lagged
from replay.models.grid.blocks import Fineness
from replay.models.joint_residuals import misfit
from replay.models.model import Model
from replay.models.residuals import Flags, Floats
from replay.models.units.current import Conditions
from replay.models.units.joint_unit import UnitModel, predict, variance_terms
from replay.models.units.variance import cells_of
from replay.signals.channels import ENDS

BAND = float(ndtri(0.995))
"""Half the band in standard deviations: 99 % of healthy samples, were they normal."""

KNOWN_ENOUGH = 0.75
"""Extrapolation below which the page says that training was here or near."""


def expected_current(
    model: Model,
    unit: UnitModel,
    table: pl.DataFrame,
    arm: Mapping[str, pl.DataFrame] | None = None,
) -> pl.DataFrame:
    """Return expected current and band for the rows of a joint table; see `Baseline.expected`."""
    n = table.height

    def numbers(name: str) -> Floats:
        return table[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    t_s = numbers("t_s")
    step_s = float(np.median(np.diff(t_s))) if n > 1 else 1.0
    heat = lagged(numbers("temperature_c"), max(step_s, 1e-6))
    torque = _torque(model, unit, table, arm, numbers("load_nm"))
    against = _drag(model, unit, table, arm)
    if against is None and unit.wades:
        torque = np.full(n, np.nan)
    at = Conditions(
        rate=numbers("rate_deg_s") / unit.fast_deg_s,
        accel=np.nan_to_num(numbers("accel_deg_s2")),
        torque_nm=torque,
        heat_k={lag: np.nan_to_num(h - unit.reference_c) for lag, h in heat.items()},
        angle_deg=numbers("angle_deg"),
        drag_nm=against,
    )
    words = table["motion"].cast(pl.String).fill_null("").to_numpy()
    moving, held = words == "moving", words == "held"
    parts = predict(unit, at)
    load = unit.coefficient("torque") * np.nan_to_num(torque)
    expected = np.where(moving, parts.whole, np.where(held, unit.bias_a, unit.bias_a + load))
    expected = np.where(np.isfinite(torque) | held, expected, np.nan)
    fine = Fineness(0, 0, unit.sample_noise_a, 0, 0, 0)
    quiet = np.zeros(n)
    terms = variance_terms(unit, parts, at, fine, quiet, quiet)
    mass = np.nan_to_num(numbers("payload_kg")) / unit.payload_scale_kg
    far = unit.trained.extrapolation(cells_of(at.heat_k[0.0], at.rate, mass))
    fits = np.einsum("ij,jk,ik->i", parts.x, unit.covariance, parts.x)
    wide = far * misfit(unit, parts)
    own = unit.sample_noise_a**2
    stands = unit.held_sd_a**2 + own
    resting = (unit.breakaway_a / np.sqrt(3)) ** 2 + stands
    variance = np.where(
        moving, unit.noise.variance(terms) + fits + wide + own, np.where(held, stands, resting)
    )
    spread = np.sqrt(variance)
    known = np.isfinite(expected) & (len(unit.names) > 0)
    seen = known & (~moving | (far < KNOWN_ENOUGH))
    frame = pl.DataFrame(
        {
            "expected_a": expected,
            "spread_a": spread,
            "low_a": expected - BAND * spread,
            "high_a": expected + BAND * spread,
        }
    )
    frame = frame.with_columns(
        pl.when(pl.Series(known)).then(pl.all().fill_nan(None)).otherwise(None).name.keep()
    )
    return frame.with_columns(pl.Series("seen", seen))


def _torque(
    model: Model,
    unit: UnitModel,
    table: pl.DataFrame,
    arm: Mapping[str, pl.DataFrame] | None,
    from_file: Floats,
) -> Floats:
    """Return the load at each row: the arm file's, or by the chain from all joints' tables."""
    n = table.height
    if "torque" not in unit.names:
        return np.zeros(n)
    known = model.chain
    if known is None:
        return from_file
    if arm is None or any(j not in arm for j in known.joints) or unit.joint not in known.joints:
        return np.full(n, np.nan)
    parts = [np.radians(p) for p in _motion(unit, table, arm, known.joints)]
    mass = table["payload_kg"].cast(pl.Float64).fill_null(0.0).to_numpy()
    state = State(parts[0], parts[1], parts[2], _on_b(table).astype(float), mass)
    which = known.joints.index(unit.joint)
    out: Floats = (torques(known.chain, state) * known.chain.gain)[:, which]
    return out


def _drag(
    model: Model, unit: UnitModel, table: pl.DataFrame, arm: Mapping[str, pl.DataFrame] | None
) -> tuple[Floats, Floats] | None:
    """Return what a fluid would ask of a joint at each row; None where that is not known."""
    if not unit.wades or not model.arm_toml or arm is None:
        return None
    drawn = load_arm(model.arm_toml)
    names = drawn.joint_names
    if unit.joint not in names or any(j not in arm for j in names):
        return None
    angle, rate, _ = _motion(unit, table, arm, names)
    links, payload = np.zeros(table.height), np.zeros(table.height)
    on_b = _on_b(table)
    which = names.index(unit.joint)
    for end, rows in zip(ENDS, (~on_b, on_b), strict=True):
        if rows.any():
            found = fluid_drag(drawn, angle[rows], rate[rows], base=end)  # type: ignore[arg-type]
            links[rows], payload[rows] = found.links_nm[:, which], found.payload_nm[:, which]
    mass = table["payload_kg"].cast(pl.Float64).fill_null(0.0).to_numpy()
    return links, payload * np.maximum(mass, 0.0) ** FACE


def _on_b(table: pl.DataFrame) -> Flags:
    return (table["base_end"].cast(pl.String).fill_null("A") == "B").to_numpy()


def _motion(
    unit: UnitModel, table: pl.DataFrame, arm: Mapping[str, pl.DataFrame], joints: Sequence[str]
) -> tuple[Floats, Floats, Floats]:
    """Return (n, k) angles, rates and accelerations of all joints at a table's instants."""
    t_s = table["t_s"].to_numpy()

    def of(joint: str, name: str) -> Floats:
        other = table if joint == unit.joint and name != "angle_deg" else arm[joint]
        if name not in other.columns or other[name].null_count() == other.height:
            return np.zeros(table.height)
        kept = other.select("t_s", name).drop_nulls()
        out: Floats = np.interp(t_s, kept["t_s"].to_numpy(), kept[name].to_numpy())
        return out

    angle, rate, accel = (
        np.stack([of(j, what) for j in joints], axis=1)
        for what in ("angle_deg", "rate_deg_s", "accel_deg_s2")
    )
    return angle, rate, accel
