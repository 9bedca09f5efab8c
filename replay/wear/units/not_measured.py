"""What was not measured of a unit, and why: listed, never left out in silence."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from replay.archive import Archive
from replay.wear.catalogue import INDICATORS, describe, not_measured
from replay.wear.reference.model import Reference
from replay.wear.reference.store import load
from replay.wear.reference.withheld import withheld


def not_measured_of(
    archive: Archive,
    serial: str,
    present: Collection[str] | None = None,
    references: Mapping[str, Reference] | None = None,
) -> list[tuple[str, str]]:
    """Return the indicators of which a unit has no figure, each with the reason.

    Parameters
    ----------
    archive : Archive
    serial : str
    present : collection of str, optional
        The indicators that it has; else those of the indicator table.
    references : mapping, optional
        The archive's reference models, where several units are asked about.

    Returns
    -------
    list of (indicator, reason)
        What a log would need, or why figures were withheld, in the catalogue's order.
    """
    if present is None:
        present = set(archive.rows_of_units("indicators", [serial])["indicator"])
    references = load(archive) if references is None else references
    reference = references.get(serial)
    reasons = {name: f"needs {needs}" for name, needs in not_measured(present)}
    if reference is not None:
        named = {describe(name).name for name in present}
        for name, why in withheld(reference).items():
            # what the arm file would bring is said by what it needs
            if name not in named and "arm file" not in reasons.get(name, ""):
                reasons[name] = f"withheld: {why}"
    order = {indicator.name: k for k, indicator in enumerate(INDICATORS)}
    return sorted(reasons.items(), key=lambda pair: order[pair[0]])
