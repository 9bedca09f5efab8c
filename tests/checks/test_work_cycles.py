"""Many short logs of one work cycle: a few seconds each, the same path, no commands logged."""

from __future__ import annotations

import pytest

from replay.archive import Archive
from replay.checks import check
from tests.checks.work_cycles import cycle


def said(archive: Archive, number: int, fault: str = "") -> list[tuple[str, str]]:
    """Check one more cycle; what was flagged, the first to look at first."""
    return [(f.joint, f.kind) for f in check(archive, cycle(archive, number, fault)).flags]


def test_healthy_cycles_are_not_flagged(cell):
    assert sum(len(said(cell, 100 + k)) for k in range(8)) == 0


def test_more_friction_is_no_stick_slip_for_stopping_as_the_cycle_does(cell):
    for number in range(200, 204):
        assert said(cell, number, "friction") == [("X", "friction")]


@pytest.mark.xfail(
    strict=True,
    reason="gravity of one sign is shared between bias and load: a part that no column tells of "
    "is not told from a sensor's offset",
)
def test_a_heavier_part_is_a_load_and_no_push(cell):
    for number in range(300, 304):
        found = said(cell, number, "load")
        assert found
        assert {kind for _, kind in found} == {"load"}


def test_a_hum_is_found_in_motions_of_a_second(cell):
    for number in range(400, 404):
        found = said(cell, number, "hum")
        assert [joint for joint, _ in found] == ["Z"]
        assert found[0][1] in {"unusual", "stick-slip"}
