"""All measures of one joint table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.arm.description import Joint
from replay.arm.margins import MarginRule, load_rule
from replay.errors import BaselineError
from replay.models import Baseline
from replay.signals.joint_signals import signals_of
from replay.wear.catalogue import describe
from replay.wear.measures.brakes import brake_measures, drag_measure
from replay.wear.measures.events import backlash_measure, breakaway_measures, holding_measure
from replay.wear.measures.friction import friction_measures
from replay.wear.measures.margin import margin_measure
from replay.wear.measures.measure import Floats, Measure, column
from replay.wear.measures.motions import chunk_means, motion_samples, moving_rows
from replay.wear.measures.residuals import residuals, ripple_measures, spread_measure
from replay.wear.measures.use import use_measures
from replay.wear.reference.model import Reference
from replay.wear.reference.withheld import withheld


@dataclass(frozen=True, slots=True)
class ReferenceModels:
    """What sessions are measured against."""

    references: dict[str, Reference]
    baseline: Baseline | None
    rule: MarginRule

    @classmethod
    def of(cls, references: dict[str, Reference], baseline: Baseline | None) -> ReferenceModels:
        """Gather them, with the default margin rule."""
        return cls(references, baseline, load_rule())


def measure_joint(
    table: pl.DataFrame,
    serial: str,
    joint: Joint | None,
    against: ReferenceModels,
    arm: Mapping[str, pl.DataFrame] | None = None,
    brakes: pl.DataFrame | None = None,
) -> list[Measure]:
    """Return every indicator that a joint table can give.

    Parameters
    ----------
    table : DataFrame
        A joint table.
    serial : str
        The unit that sat there.
    joint : Joint or None
        Its description, where there is an arm file.
    against : ReferenceModels
    arm : mapping, optional
        The tables of all joints of the session, in the arm's order: a current that
        follows the posture is told apart by them.
    brakes : DataFrame, optional
        Its brake events where a quicker recorder saw them too.
    """
    found: list[Measure | None] = []
    reference = against.references.get(serial)
    moving, signals = moving_rows(table), signals_of(table)
    samples = None if moving is None else motion_samples(moving)
    if moving is not None and samples is not None and reference is not None:
        # Where load hides friction, as in a log of a ground robot without
        # angles, a number would be nonsense with an error bar.
        if reference.friction_told:
            friction = friction_measures(chunk_means(samples), reference)
            found += friction
            found.append(margin_measure(friction, reference, joint, against.rule))
        expected = _expected(table, serial, against.baseline, arm)
        rest = residuals(samples, reference, expected)
        found.append(spread_measure(rest))
        if joint is not None and joint.ripple_orders:
            found += ripple_measures(rest, joint.ripple_orders, table)
        if reference.friction_told:
            found += breakaway_measures(table, reference)
    found.append(backlash_measure(table))
    found.append(holding_measure(table))
    found += brake_measures(signals, brakes)
    if reference is not None and reference.friction_told and samples is not None:
        found.append(drag_measure(signals, samples, reference))
    found += use_measures(table)
    kept_back = {} if reference is None else withheld(reference)
    return [m for m in found if m is not None and describe(m.indicator).name not in kept_back]


def _expected(
    table: pl.DataFrame,
    serial: str,
    baseline: Baseline | None,
    arm: Mapping[str, pl.DataFrame] | None,
) -> Floats | None:
    if baseline is None or serial not in baseline.units:
        return None
    try:
        expected = baseline.expected(table, serial, arm)
    except BaselineError:
        return None
    return np.where(expected["seen"].to_numpy(), column(expected, "expected_a"), np.nan)
