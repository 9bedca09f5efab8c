"""One session's friction, joint by joint: the very figures that the trends are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from replay.wear.measures.friction import explained_share, friction_measures
from replay.wear.measures.measure import Measure
from replay.wear.measures.motions import Motions, chunk_means, motion_samples, moving_rows
from replay.wear.reference.model import Reference, make_reference
from replay.wear.reference.withheld import withheld

INDICATOR_OF = {
    "coulomb forward": "coulomb friction forward",
    "coulomb backward": "coulomb friction backward",
    "coulomb both": "coulomb friction",
    "viscous forward": "viscous friction forward",
    "viscous backward": "viscous friction backward",
    "both at usual rate": "friction at usual rate",
}
"""Each term's indicator: a term's figure is that of the indicator in the same session."""

LITTLE_R2 = 0.3
"""Share of the current's variance below which speed and load explain little of it."""


@dataclass(frozen=True, slots=True)
class Term:
    """One figure of friction; where ``determined`` is false it is NaN, and ``why`` says why."""

    name: str
    value: float
    se: float
    unit: str
    determined: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class JointFriction:
    """Friction of one joint in one session.

    Attributes
    ----------
    terms : tuple of Term
        One for each of `INDICATOR_OF`, in that order.
    r2 : float or None
        Share of the moving current's variance that speed, direction, acceleration and, where
        known, load explain; None where the figures are withheld.
    usual_rate_deg_s : float
        Rate at which ``both at usual rate`` holds.
    of_unit : bool
        Whether what sessions of the unit share was taken from many of them (`wear` has read
        them); else from this session alone.
    withheld : str
        Why no term is given; empty where they are.
    warnings : tuple of str
    """

    joint: str
    terms: tuple[Term, ...]
    r2: float | None
    usual_rate_deg_s: float
    of_unit: bool
    withheld: str
    warnings: tuple[str, ...] = ()


def session_friction(
    references: Mapping[str, Reference], joint: str, serial: str, table: pl.DataFrame
) -> JointFriction | None:
    """Return a joint's friction in one session; None where it hardly moves.

    Parameters
    ----------
    references : mapping
        The archive's reference models (`replay.wear.reference.store.load`).
    joint, serial : str
        The joint, and the unit that sat there.
    table : DataFrame
        Its joint table.
    """
    rows = moving_rows(table)
    if rows is None:
        return None
    motions = chunk_means(motion_samples(rows))
    known = references.get(serial)
    reference = make_reference([motions], 1) if known is None else known
    if reference is None:
        return None
    left_out = withheld(reference)
    why = left_out.get(INDICATOR_OF["coulomb both"], "")
    if why:  # one session's motions need not cancel in the mean what posture adds to each
        left_out = dict.fromkeys(INDICATOR_OF.values(), why)
    found = [] if why else friction_measures(motions, reference)
    share = None if why else explained_share(motions, reference)
    return JointFriction(
        joint,
        _terms(motions, found, left_out),
        share,
        reference.usual_rate_deg_s,
        known is not None,
        why,
        () if share is None else _warnings(found, share),
    )


def _terms(
    motions: Motions, measures: Sequence[Measure], left_out: Mapping[str, str]
) -> tuple[Term, ...]:
    found = {m.indicator: m for m in measures}
    seen = {"forward": (motions.direction > 0).any(), "backward": (motions.direction < 0).any()}
    terms = []
    for name, indicator in INDICATOR_OF.items():
        way = name.rpartition(" ")[2]
        unit = "A s/deg" if name.startswith("viscous") else "A"
        m = found.get(indicator)
        if indicator in left_out:
            why = left_out[indicator]
        elif m is not None:
            terms.append(Term(name, m.value, m.se, unit))
            continue
        elif not seen.get(way, True):
            why = f"no motion {way}"
        elif name.startswith("viscous"):
            why = "this session's motions tell little of it: too few different rates"
        else:
            why = "its level came out below nought"
        terms.append(Term(name, float("nan"), float("nan"), unit, determined=False, why=why))
    return tuple(terms)


def _warnings(measures: Sequence[Measure], share: float) -> tuple[str, ...]:
    falls = [
        f"{m.indicator} is negative ({m.value:.3g} {m.unit})"
        for m in measures
        if m.indicator.startswith("viscous") and m.value < 0
    ]
    little = [f"speed explains little here (R2 = {share:.2f})"] if share < LITTLE_R2 else []
    return (*little, *falls)
