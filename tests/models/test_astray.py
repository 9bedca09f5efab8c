"""Angle against logged rate: what a rate does not add up to is the sensor's."""

import numpy as np
import pytest

from replay.archive import open_archive
from replay.checks import check
from replay.models import learn
from tests.checks.sessions import add, bench


def rated(seed, drift_deg=0.0, hide_rate=False):
    columns = bench(seed)
    for joint in ("P1", "P2"):
        rate = columns[joint]["_rate"]
        if not hide_rate:
            noise = np.random.default_rng(seed).normal(0, 0.004, rate.size)
            columns[joint]["rate_deg_s"] = np.round(rate + noise, 3)
    gone = np.clip((columns["t"] - 126.0) / 15.0, 0.0, 1.0)
    columns["P1"]["angle_deg"] += drift_deg * gone
    return columns


@pytest.fixture(scope="module")
def rated_archive(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("rated"), create=True)
    names = [add(archive, f"h{k}", rated(k), day=k) for k in range(8)]
    return archive, learn(archive, names)


def test_a_drifting_angle_is_told_by_the_logged_rate(rated_archive):
    archive, baseline = rated_archive
    name = add(archive, "drift", rated(70, drift_deg=1.0), day=70)
    found = check(archive, name, baseline).flags
    assert {(f.joint, f.kind) for f in found} == {("P1", "angle-sensor")}
    best = found[0]
    assert best.evidence["detector"].startswith("astray")
    assert best.evidence["astray_deg"] == pytest.approx(1.0, abs=0.15)
    assert "beyond what the logged rate adds up to" in best.summary
    assert abs(best.start.timestamp() % 86400 - 126.0) < 4.0


def test_without_drift_angle_and_rate_agree(rated_archive):
    archive, baseline = rated_archive
    name = add(archive, "agree", rated(71), day=71)
    assert [f.kind for f in check(archive, name, baseline).flags] == []


def test_a_rate_made_from_the_angle_says_nothing_about_it(rated_archive):
    archive, baseline = rated_archive
    name = add(archive, "blind", rated(72, drift_deg=1.0, hide_rate=True), day=72)
    detectors = {f.evidence["detector"].split()[0] for f in check(archive, name, baseline).flags}
    assert "astray" not in detectors
