"""What nobody could name is not raised."""

from dataclasses import replace

import pytest

from replay.checks import promise
from replay.checks.findings import find, gather
from replay.checks.reading import read
from replay.models.model import residuals_of
from replay.signatures.marks import Mark
from tests.checks.sessions import add, bench


@pytest.mark.parametrize(("delay_s", "found"), [(0.5, 1), (7.0, 0)])
def test_a_mark_that_no_kind_is_the_cause_of_is_no_finding(bench_archive, delay_s, found):
    """A brake lets go at last, and what holds a joint for longer leaves travel missing."""
    archive, baseline = bench_archive
    reading = read(archive, add(archive, f"pushes {delay_s}", bench(432), day=432), 0.5)
    laws = promise.calibration_of(baseline)
    evidence = gather(residuals_of(baseline.model, reading.blocks), reading.seen, laws)
    assert find(evidence, 3.0) == []
    push = Mark("release push", "push", 130.0, 130.0 + delay_s, 4.0, {"delay_s": delay_s}, 99.0)
    with_push = replace(evidence, marks={**evidence.marks, "P1": [(push, 9.0)]})
    assert len(find(with_push, 3.0)) == found
