"""The replay shows a second recorder's samples where it saw the session."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from dashboards.queries.event.brakes import brake_sequence, usual_step_ms
from dashboards.queries.event.events import Event
from dashboards.queries.session import windows
from dashboards.queries.session.completeness import by_joint
from dashboards.queries.session.sessions import facts, outline
from replay.archive import Archive
from tests.cleaning.logs import take
from tests.cleaning.recorders import MAP, two_recorders


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Archive, str]:
    folder = tmp_path_factory.mktemp("both")
    logs = two_recorders(folder)
    archive, result = take(folder, logs.slow, logs.quick, log_map=MAP)
    return archive, result.sessions[0].session


def test_a_close_window_shows_its_samples(both: tuple[Archive, str]) -> None:
    archive, session = both
    found = outline(archive, session)
    (group,) = windows.logged_window(archive, found, 1.0, 4.0, 2000, ["J1"])
    steps = np.diff(group.t_s)
    burst = (group.t_s[1:] > 1.51) & (group.t_s[1:] < 2.99)
    assert steps[burst].max() < 0.0051  # 200 Hz where it saw them
    assert steps[~burst].min() > 0.0  # rising, no instant twice
    assert np.median(steps[~burst]) == pytest.approx(0.02)
    assert group.step_s == pytest.approx(0.02)
    quick = archive.samples(session, stream="burst_200hz").collect()
    shown = group.series["J1.angle_deg"][0][1:][burst]
    logged = quick["J1.angle_deg"].cast(pl.Float32).to_numpy()
    assert np.isin(shown, logged).all()


def test_a_wide_window_loses_no_spike_of_either(both: tuple[Archive, str]) -> None:
    archive, session = both
    found = outline(archive, session)
    groups = windows.logged_window(archive, found, 0.0, 60.0, 100, ["J1", "J2"])
    highest = max(float(np.nanmax(g.series["J2.current_a"][1])) for g in groups)
    seen = [
        float(archive.samples(session, stream=s).collect()["J2.current_a"].max())  # type: ignore[arg-type]
        for s in ("main", "burst_200hz")
    ]
    assert highest == pytest.approx(max(seen), rel=1e-6)


def test_exact_samples_and_brake_words_are_its_too(both: tuple[Archive, str]) -> None:
    archive, session = both
    found = outline(archive, session)
    groups = windows.exact(archive, found, 1.9, 2.1, ["J1"])
    assert len({g.t_s.tobytes() for g in groups}) == 1
    assert groups[0].t_s.size == 40
    run = windows.runs(archive, session)["J1.brake_engaged"]
    assert run["v"] == [1, 0, 1, 0, 1, 0, 1]
    assert run["t"][1] == pytest.approx(2.0163, abs=1e-6)  # the main stream says 2.02


def test_the_event_page_times_brakes_by_it(both: tuple[Archive, str]) -> None:
    archive, session = both
    record = archive.session(session)
    at = record.start + timedelta(seconds=2)
    event = Event(record, "J1", "span", at, at + timedelta(seconds=1))
    end = at + timedelta(seconds=1)
    told = brake_sequence(archive, event, at - timedelta(seconds=1), end, joints=["J1"])
    rows = {r["what"]: r for r in told.to_dicts()}
    assert rows["told to release"]["time"] < rows["released"]["time"]
    # 12 ms apart; the main stream, in steps of 20 ms, says 20
    assert rows["released"]["since_ms"] == pytest.approx(15.0, abs=1e-3)
    assert usual_step_ms(archive, event, at, end) == pytest.approx(5.0)


def test_a_measure_and_a_kept_span_inside_a_burst(both: tuple[Archive, str]) -> None:
    archive, session = both
    found = outline(archive, session)
    inside = windows.measure(archive, found, 1.6, 2.4, ["J1"])
    across = windows.measure(archive, found, 1.0, 4.0, ["J1"])
    assert {r["n"] for r in inside} == {160}
    assert {r["n"] for r in across} == {151}
    assert len({r["quantity"] for r in inside}) == len(inside)
    assert windows.span_table(archive, found, 1.6, 2.4, ["J1"]).height == 160
    assert windows.span_table(archive, found, 1.0, 4.0, ["J1"]).height == 150


def test_a_part_time_recorder_leaves_the_session_complete(both: tuple[Archive, str]) -> None:
    archive, session = both
    assert ("second recorder", "6 stretches") in facts(outline(archive, session))
    assert by_joint(archive, [session])[session] == {"J1": 1.0, "J2": 1.0}
