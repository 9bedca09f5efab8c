"""Two rounds of covariate adjustment: the second knows how the level moved."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from replay.wear.assessment.change_points import Shape, shape
from replay.wear.histories.aggregation import aggregated, numbers_of
from replay.wear.histories.covariate_adjustment import Adjusted, adjust, known_of
from replay.wear.histories.covariates import covariates_of
from replay.wear.histories.kind_law import KindLaw

Floats = npt.NDArray[np.float64]


def adjust_twice(
    axis: Floats,
    values: Floats,
    conditions: dict[str, Floats],
    weights: Floats | None,
    sections: npt.NDArray[np.int64],
    usual: Mapping[str, float] | None = None,
    law: KindLaw | None = None,
) -> Adjusted:
    """Correct for conditions, see how the level moved, and correct again knowing it.

    The first time the level may bend: beside a straight trend, a season would be
    made out of the bend. The second time it has the shape that was seen.
    """
    told = () if law is None else law.told
    covariates = covariates_of(axis, conditions, sections=sections, usual=usual, told=told)
    known = known_of(law, values, covariates)

    def corrected(course: Floats | None, priced: bool = True) -> Adjusted:
        return adjust(
            axis,
            values,
            covariates,
            weights=weights,
            sections=sections,
            course=course,
            known=known,
            priced=priced,
        )

    x = (axis - axis.mean()) / (float(np.ptp(axis)) or 1.0)
    once = corrected((x * x)[:, None], False)
    if not once.terms:
        return once
    t, y, _, own = aggregated(axis, once.values, None, sections)
    return corrected(_course(axis, shape(t, _on_one_level(y, own))))


def _course(axis: Floats, moved: Shape) -> Floats | None:
    """Return columns that follow a shape's steps or bend."""
    if moved.word == "steps":
        return np.column_stack([(axis >= at).astype(float) for at in moved.steps])
    if moved.word == "bend" and moved.since is not None:
        return np.maximum(axis - moved.since, 0.0)[:, None]
    return None


def _on_one_level(values: Floats, sections: npt.NDArray[np.int64]) -> Floats:
    out = values.copy()
    for number in numbers_of(sections):
        own = sections == number
        out[own] -= np.median(out[own])
    return out
