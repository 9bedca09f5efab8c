"""The drawing of a history: what is shown at first, and where a limit's bar ends."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from dashboards.components.wear_page.wear_fleet import SHAPES
from dashboards.figures.compare import differences
from dashboards.figures.style import SYMBOLS
from dashboards.figures.wear import SHOWN_SE, history_figure
from dashboards.queries import wear
from dashboards.theme import DARK, joint_colour
from replay.archive import open_archive
from replay.wear import set_limit
from replay.wear.indicators import METHOD
from replay.wear.units.fleet import ORDER
from tests.contrast import contrast
from tests.wear.makers import unit

FAR = datetime(2045, 1, 1, tzinfo=UTC)
EARLY = datetime(2034, 6, 1, tzinfo=UTC)


def test_every_word_of_attention_has_its_shape():
    assert tuple(SHAPES) == ORDER


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """One unit's steady history whose bars are longer than its spread, one of them very long."""
    archive = open_archive(tmp_path_factory.mktemp("bars") / "archive", create=True)
    rows = unit(3, growth=0.0, sessions=16, noise=0.002, season=0.0, missing=False).rows
    se = np.full(rows.height, 0.1)
    se[4] = 4.0
    rows = rows.with_columns(se=se, method=pl.lit(METHOD))
    archive.replace("indicators", rows, session=["x"])
    set_limit(archive, "friction at usual rate", 1.5, serial="TU-101", by="R. Moss")
    return wear.history(archive, "TU-101", "friction at usual rate", "time")


@pytest.mark.parametrize("small", [True, False])
def test_bars_and_the_trends_band_lie_within_the_axes(told, small):
    figure = history_figure(told, small=small)
    low, high = figure.layout.yaxis.range
    middle = told.points["adjusted"].to_numpy()
    half = SHOWN_SE * told.points["se"].to_numpy()
    usual = half < 1.0
    assert low < np.min((middle - half)[usual])
    assert np.max((middle + half)[usual]) < high
    band = next(t for t in figure.data if t.name == "90 % of the slope")
    assert low < min(band.y)
    assert max(band.y) < high
    assert high - low < half.max()  # one wild session does not press the others flat


def bar_of(told, **dates):
    empty = {"date": None, "date_low": None, "date_high": None, "horizon": FAR}
    projection = {"word": "projected", "limit": 2.0, "laws": []} | empty | dates
    trend = replace(told.trend, detail=told.trend.detail | {"projection": projection})
    figure = history_figure(replace(told, trend=trend))
    return next(t for t in figure.data if (t.name or "").startswith("limit reached"))


def test_the_bar_of_an_open_interval_runs_on_and_is_named_so(told):
    median = datetime(2036, 1, 1, tzinfo=UTC)
    open_bar = bar_of(told, date=median, date_low=EARLY)
    assert open_bar.name == "limit reached, not before (95 %)"
    assert max(open_bar.x) == FAR
    assert min(open_bar.x) == EARLY
    closed = bar_of(told, date=median, date_low=EARLY, date_high=datetime(2038, 1, 1, tzinfo=UTC))
    assert closed.name == "limit reached, 90 %"
    assert max(closed.x) == datetime(2038, 1, 1, tzinfo=UTC)


def test_faded_marks_stand_out_in_dark(told):
    many = [f"J{n}" for n in range(1, 8)]
    table = pl.DataFrame(
        {"quantity": "q", "joint": many, "difference": 0.1, "low": 0.0, "high": 0.2, "pairs": 9}
        | {"differs": [n == 2 for n in range(7)]}
    )
    limit = {"word": "projected", "limit": 2.0, "laws": [], "horizon": FAR}
    limit |= {"date": EARLY, "date_low": EARLY, "date_high": FAR}
    trend = replace(told.trend, detail=told.trend.detail | {"projection": limit})
    drawn = [history_figure(replace(told, trend=trend)), differences(table, many, "q", "A")]
    faded = {}
    for mark in (
        t for figure in drawn for t in figure.data if t.meta and "dark_fill" not in t.meta
    ):
        opacity = (mark.opacity or 1.0) * (mark.marker.opacity or 1.0)
        faded[mark.name] = contrast(mark.meta["dark"], opacity, DARK["sheet"])
        if mark.error_y.color:
            faded[f"bar, {mark.name}"] = contrast(mark.error_y.color, 1.0, DARK["sheet"])
    assert {"as measured", "limit reached, 90 %", "bar, under usual conditions", "J1"} <= set(faded)
    assert {n: round(c, 2) for n, c in faded.items() if c < 3.0} == {}


def test_a_units_sessions_have_the_mark_and_colour_of_its_joint(told):
    """J4's were drawn as J1's are everywhere, and J7's would have been taken for raw values."""
    every = []
    for place in range(7):
        raw, usual = history_figure(told, place=place).data[:2]
        assert usual.marker.symbol == SYMBOLS[place]
        assert usual.meta == {"light": joint_colour(place), "dark": joint_colour(place, dark=True)}
        assert usual.marker.color == joint_colour(place)
        every.append(raw.marker.symbol)
    assert not {*every} & {*SYMBOLS}


def test_of_a_unit_that_is_out_nothing_lies_ahead(told):
    ahead = "fan, 90 % of what fits"
    assert ahead in {t.name for t in history_figure(told).data}
    trend = replace(
        told.trend, detail=told.trend.detail | {"projection": {"word": "removed", "limit": 2.0}}
    )
    names = {t.name for t in history_figure(replace(told, trend=trend)).data}
    assert not {n for n in names if n and n.startswith(("projection", "fan", "limit reached"))}
