"""A unit of a large indicator table is judged from its own rows and what others told before."""

import sys

import polars as pl
import pytest
from makers import unit

from replay.archive import open_archive
from replay.errors import UsageError
from replay.wear import judge, limits, maintenance, set_limit, trends, unit_history
from replay.wear.assessment import trend_cache
from replay.wear.assessment.trends import unjudged
from replay.wear.histories.kind_laws import kind_laws

DRAG, FRICTION = "brake drag", "friction at usual rate"
UNITS = 5


def rows_of(k, sessions=60, serial=None):
    parts = [
        unit([k, i], serial=serial or f"TU-{k}", joint=f"J{k}", indicator=name, sessions=sessions,
             missing=False).rows
        for i, name in enumerate((DRAG, FRICTION))
    ]  # fmt: skip
    return pl.concat(parts).with_columns(session=pl.format(f"{{}}-{k}", "session"))


def put(archive, rows):
    archive.replace("indicators", rows, session=rows["session"].unique())


def later(k, serial=None, days=30, value=9.0):
    """Return one more session of a unit, far from its others."""
    row = rows_of(k, serial=serial).filter(pl.col("indicator") == DRAG).sort("start").tail(1)
    return row.with_columns(
        session=pl.format("{}-later", "session"),
        start=pl.col("start").dt.offset_by(f"{days}d"),
        value=pl.lit(value),
    )


@pytest.fixture
def archive(tmp_path, monkeypatch):
    monkeypatch.setattr(trend_cache, "WHOLE_BYTES", 0)
    made = open_archive(tmp_path / "archive", create=True)
    for k in range(UNITS):
        put(made, rows_of(k))
    return made


@pytest.fixture
def looked(monkeypatch):
    """Collect the histories that are assessed."""
    room = sys.modules["replay.wear.assessment.trends"]
    seen, true = [], room.assess

    def counted(history, **more):
        seen.append((history.serial, history.indicator))
        return true(history, **more)

    monkeypatch.setattr(room, "assess", counted)
    return seen


def as_judged(archive):
    return judge(trend_cache.indicator_rows(archive), maintenance(archive), limits(archive))


def test_all_are_judged_as_from_the_whole_table(archive, looked):
    assert trends(archive, serial="TU-2") == [t for t in as_judged(archive) if t.serial == "TU-2"]
    looked.clear()
    again = open_archive(archive.root)
    assert trends(again) == as_judged(archive)
    looked.clear()
    put(archive, later(1))
    assert trends(archive) == as_judged(archive)  # in full: all are asked for


def test_only_the_unit_with_a_newer_session_is_judged_again(archive, looked, monkeypatch):
    before = trends(archive)
    laws = kind_laws(trend_cache.indicator_rows(archive))
    put(archive, later(1))
    looked.clear()
    monkeypatch.setattr(type(archive), "table", forbidden(type(archive).table))
    assert unjudged(archive) == 1
    assert trends(archive, standing=True) == before
    assert trends(archive, serial="TU-2") == [t for t in before if t.serial == "TU-2"]
    assert looked == []
    one = trends(open_archive(archive.root), serial="TU-1")
    assert sorted(looked) == [("TU-1", DRAG), ("TU-1", FRICTION)]
    own = archive.rows_of_units("indicators", ["TU-1"])
    room = sys.modules["replay.wear.assessment.trends"]
    alone = room._settled(room._looked_at(own, maintenance(archive), {}, "time", laws))
    assert one == alone
    assert {t.indicator: t.n for t in one} == {DRAG: 61, FRICTION: 60}
    looked.clear()
    assert unjudged(archive) == 0
    assert trends(archive, serial="TU-1") == one
    shown = trends(archive, standing=True)
    assert [t for t in shown if t.serial == "TU-1"] == one
    assert [t for t in shown if t.serial != "TU-1"] == [t for t in before if t.serial != "TU-1"]
    assert looked == []
    drawn = unit_history(archive, "TU-1", DRAG)
    assert drawn.trend in one
    assert drawn.points.height == 61


def forbidden(true):
    def table(self, name):
        assert name != "indicators", "the indicator table was read whole"
        return true(self, name)

    return table


def test_a_new_unit_is_told_what_all_others_know(archive, looked):
    trends(archive)
    everyone = kind_laws(trend_cache.indicator_rows(archive), newcomers=True)
    put(archive, rows_of(UNITS))
    looked.clear()
    found = trends(archive, serial=f"TU-{UNITS}")
    assert [t.indicator for t in found] == [DRAG, FRICTION]
    assert {serial for serial, _ in looked} == {f"TU-{UNITS}"}
    whole = kind_laws(trend_cache.indicator_rows(archive))
    for name in (DRAG, FRICTION):  # they are the same others: nobody else has changed
        assert everyone["", name].mean == pytest.approx(
            whole[f"TU-{UNITS}", name].mean, rel=0.05, abs=1e-3
        )
    with pytest.raises(UsageError, match="no 'margin left'"):
        unit_history(archive, f"TU-{UNITS}", "margin left")


def test_limits_concern_their_histories_alone(archive, looked):
    trends(archive)
    looked.clear()
    set_limit(archive, FRICTION, 2.0, serial="TU-3")
    found = trends(archive, serial="TU-3")
    assert looked == [("TU-3", FRICTION)]
    assert found == [t for t in as_judged(archive) if t.serial == "TU-3"]
    assert trends(archive) == as_judged(archive)


def test_a_unit_whose_place_another_has_taken_gets_no_date(archive):
    set_limit(archive, FRICTION, 50.0, serial="TU-3")
    before = {t.indicator: t for t in trends(archive, serial="TU-3")}[FRICTION]
    assert before.detail["projection"]["word"] != "removed"
    put(archive, later(3, serial="TU-9"))
    now = {t.indicator: t for t in trends(archive, serial="TU-3")}[FRICTION]
    assert now.detail["projection"]["word"] == "removed"
    assert now == next(t for t in as_judged(archive) if t == now)
