"""Fit all units; what one fluid does to them they decide together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np

from replay.models.residuals import Floats
from replay.models.units.current import DRAGS
from replay.models.units.joint_unit import UnitModel
from replay.models.units.unit_fit import fit_unit
from replay.models.units.unit_rows import Case
from replay.workers import Each

Progress = Callable[[str, int, int], None]


def fit_units(
    cases: Mapping[str, list[Case]],
    fold_of: Mapping[str, int],
    each: Each,
    progress: Progress | None = None,
) -> tuple[dict[str, UnitModel], list[dict[str, UnitModel]]]:
    """Return the units' models, and by fold those that did not see its sessions.

    A drag that fewer than half of the units have a use for is no fluid's: all are fitted once
    more without it.
    """
    order = sorted(cases)
    told = {s: np.array([fold_of[c.session] for c in cases[s]]) for s in order}
    gone: tuple[str, ...] = ()
    while True:
        units: dict[str, UnitModel] = {}
        by_fold: list[dict[str, UnitModel]] = [{} for _ in range(max(fold_of.values()) + 1)]
        made = each(_fit_one, ((s, cases[s], told[s], gone) for s in order))
        for done, (serial, (whole, parts)) in enumerate(zip(order, made, strict=True)):
            units[serial] = whole
            for fold, part in parts.items():
                by_fold[fold][serial] = part
            if progress is not None:
                progress("fit", done + 1, len(order))
        odd = lonely_drags(units.values())
        if not odd:
            break
        gone += odd
    for known in by_fold:
        for serial, unit in units.items():
            known.setdefault(serial, unit)
    return units, by_fold


def lonely_drags(units: Iterable[UnitModel]) -> tuple[str, ...]:
    """Return the drags that some units' laws have, but fewer than half of them.

    One fluid is about all joints: an arm of which one joint wades stands in air.
    """
    fitted = [u.names for u in units if u.names]
    count = {name: sum(name in names for names in fitted) for name in DRAGS}
    return tuple(name for name, n in count.items() if 0 < 2 * n < len(fitted))


def _fit_one(
    given: tuple[str, list[Case], Floats, tuple[str, ...]],
) -> tuple[UnitModel, dict[int, UnitModel]]:
    return fit_unit(*given)
