"""Delays are measured where a second, quicker recorder saw them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from replay.archive import Archive
from replay.signals import SessionMechanics
from replay.signals.brakes.brake_events import brake_events
from replay.signals.joints import joint_table
from replay.wear.measures.brakes import brake_measures
from tests.cleaning.logs import take
from tests.cleaning.recorders import ANSWER_S, DELAY_S, MAP, two_recorders


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Archive, str]:
    folder = tmp_path_factory.mktemp("both")
    logs = two_recorders(folder)
    archive, result = take(folder, logs.slow, logs.quick, log_map=MAP)
    return archive, result.sessions[0].session


def test_release_delays_come_from_the_quick_recorder(both: tuple[Archive, str]) -> None:
    archive, session = both
    best = SessionMechanics(archive, session).brake_events
    for joint in ("J1", "J2"):
        slow = brake_events(joint_table(archive, session, joint))
        quick = best.filter(best["joint"] == joint).drop("joint")
        assert quick.height == slow.height == 6
        assert quick["time"].to_list() == slow["time"].to_list()
        widths = [
            (f["delay_high_s"] - f["delay_low_s"]).drop_nulls().to_numpy() for f in (slow, quick)
        ]
        assert widths[0].min() > 0.03  # two steps of 20 ms
        assert widths[1].max() < 0.025
        released = quick.filter(quick["event"] == "release")
        for row in released.to_dicts():
            assert row["delay_low_s"] <= DELAY_S <= row["delay_high_s"]
            assert row["answer_low_s"] <= ANSWER_S <= row["answer_high_s"]
        assert (released["delay_status"] == "measured").all()
        assert not (slow["answer_status"] == "measured").any()  # 12 ms in steps of 20 ms
        assert (released["answer_high_s"] - released["answer_low_s"]).max() < 0.011


def test_what_it_did_not_see_stays_the_main_recorders(tmp_path: Path) -> None:
    logs = two_recorders(tmp_path)
    lines = logs.quick.read_text().splitlines()
    kept = [lines[0], *lines[1 + 300 : 1 + 900]]  # without the first release and its answer
    logs.quick.write_text("\n".join(kept) + "\n")
    archive, result = take(tmp_path, logs.slow, logs.quick, log_map=MAP)
    session = result.sessions[0].session
    slow = brake_events(joint_table(archive, session, "J1"))
    best = SessionMechanics(archive, session).brake_events
    best = best.filter(best["joint"] == "J1").drop("joint")
    assert best.row(0) == slow.row(0)
    assert best.row(2) != slow.row(2)
    assert best.row(4) == slow.row(4)


def test_wear_measures_the_same_delays(both: tuple[Archive, str]) -> None:
    archive, session = both
    events = SessionMechanics(archive, session).brake_events
    table = joint_table(archive, session, "J1")
    known = events.filter(events["joint"] == "J1").drop("joint")
    plain, better = (
        next(m for m in brake_measures(table, e) if m.indicator == "brake release delay")
        for e in (None, known)
    )
    assert better.se < 0.5 * plain.se
    assert abs(better.value - DELAY_S) < 0.01
    assert np.isfinite(better.se)
