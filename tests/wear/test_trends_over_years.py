from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from makers import BEGIN, no_notes, note, unit

from replay.wear.assessment.trends import judge
from replay.wear.histories.history import histories
from replay.wear.units.fleet import fleet_of
from replay.wear.units.peers import peer_scores


def only(found):
    assert len(found) == 1
    return found[0]


def seven(seed, **worn):
    """Seven units; those named in ``worn`` (TU_2=dict(...)) wear, the others do not."""
    made = []
    for j in range(7):
        more = {"growth": 0.0} | worn.get(f"TU_{j}", {})
        made.append(unit([seed, j], serial=f"TU-{j}", joint=f"J{j}", **more))
    return made


def table(made):
    return pl.concat([m.rows for m in made])


@pytest.mark.parametrize("season", [0.0, 0.15])
def test_two_years_of_seasons_without_wear_are_steady(season):
    found = judge(
        table(seven(1, **{f"TU_{j}": {"season": season} for j in range(7)})), no_notes(), {}
    )
    assert [t.result for t in found] == ["steady"] * 7


def test_a_season_left_uncorrected_would_have_been_called_wear():
    # Three quarters of a year that end in the cold: the raw values rise.
    made = unit(3, growth=0.0, season=0.2, sessions=150, years=0.7, missing=False)
    years, raw = made.years, made.rows["value"].to_numpy()
    assert abs(np.polyfit(years, raw, 1)[0]) > 0.2
    assert only(judge(made.rows, no_notes(), {})).result == "steady"


def test_a_bend_of_wear_stays_in_the_levelled_values():
    kept = []
    for seed in range(10):
        made = unit([seed, 19], law="accelerating", growth=0.5, season=0.1, years=0.8, noise=0.02,
                    sessions=200, missing=False)  # fmt: skip
        h = next(iter(histories(made.rows, no_notes(), use=pl.DataFrame())))
        bent = np.polyfit(made.years, h.adjusted.values, 2)[0]
        kept.append(bent / np.polyfit(made.years, made.truth, 2)[0])
    assert np.mean(kept) == pytest.approx(1.0, abs=0.07)


def test_slope_interval_covers_the_truth_as_often_as_it_says():
    held = []
    for seed in range(60):
        made = unit([seed, 11], growth=0.15, sessions=80, season=0.05)
        t = only(judge(made.rows, no_notes(), {}))
        true = (made.truth[-1] - made.truth[0]) / (made.years[-1] - made.years[0])
        held.append(t.slope_low <= true <= t.slope_high)
    # 90 % of 60: three standard deviations are 7 histories.
    assert 0.78 <= np.mean(held) <= 1.0


def test_flat_units_are_rarely_called_rising():
    remembering = {f"TU_{j}": {"memory": 0.3} for j in range(7)}
    results = [
        t.result
        for seed in range(12)
        for t in judge(table(seven(seed, **remembering)), no_notes(), {})
    ]
    assert results.count("rising") <= 0.05 * len(results)


def test_twenty_percent_over_200_sessions_is_found_before_half_of_it():
    found = 0
    for seed in range(10):
        made = seven(seed, TU_3={"growth": 0.2, "sessions": 200, "missing": False})
        early = pl.concat([m.rows.head(100) for m in made])
        found += {t.serial: t.result for t in judge(early, no_notes(), {})}["TU-3"] == "rising"
    assert found >= 7


def test_relubrication_splits_the_history():
    years = 2.0
    first = unit(5, growth=0.3, sessions=60, years=years / 2, missing=False)
    second = unit(6, growth=0.3, sessions=60, years=years / 2, missing=False)
    later = timedelta(days=365.25 * years / 2)
    rows = pl.concat(
        [
            first.rows,
            second.rows.with_columns(
                pl.col("start") + later,
                pl.col("at") + later,
                ("R" + pl.col("session")).alias("session"),
            ),
        ]
    )
    log = note("TU-101", BEGIN + later, "relubricated")
    with_note = only(judge(rows, log, {}))
    without = only(judge(rows, no_notes(), {}))
    true = 0.3 * 1.2 / (years / 2)
    assert with_note.slope_low <= true <= with_note.slope_high
    assert with_note.n == 60
    # nobody noted it: the drop is asked about, and the wear on both sides of it is seen
    assert "fell by" in without.detail["questions"][0]["question"]
    assert without.slope_per_year > 0.5 * true
    assert "questions" not in with_note.detail
    assert only(judge(rows, log.with_columns(what=pl.lit("inspected")), {})) == without


def test_few_sessions_since_maintenance_share_a_slope_and_keep_their_levels():
    made = unit(7, growth=0.25, sessions=60, missing=False, season=0.0)
    at = made.rows["start"][52]
    rows = made.rows.with_columns(
        pl.when(pl.col("start") > at)
        .then(pl.col("value") - 0.6)
        .otherwise(pl.col("value"))
        .alias("value")
    )
    t = only(judge(rows, note("TU-101", at, "repaired"), {}))
    assert t.slope_low <= 0.25 * 1.2 / 2 <= t.slope_high
    assert t.detail["sections"] == 2


def test_a_replacement_begins_anew_where_units_are_known_by_place():
    made = unit(8, growth=0.4, sessions=60, missing=False)
    t = only(judge(made.rows, note("TU-101", made.rows["start"][40], "replaced"), {}))
    assert t.n == 20


def test_a_history_follows_the_unit_to_another_place():
    made = unit(9, growth=0.3, sessions=60)
    rows = made.rows.with_columns(
        pl.when(pl.col("start") > made.rows["start"][30])
        .then(pl.lit("J7"))
        .otherwise("joint")
        .alias("joint")
    )
    t = only(judge(rows, no_notes(), {}))
    assert (t.n, t.joint, t.serial) == (60, "J7", "TU-101")


@pytest.mark.parametrize("sessions", [0, 1, 5])
def test_too_few_sessions_say_so(sessions):
    found = judge(unit(10, sessions=40, missing=False).rows.head(sessions), no_notes(), {})
    assert [t.result for t in found] == ["too-few"] * bool(sessions)
    assert all(t.slope_per_year is None and t.detail["reason"] for t in found)


def test_a_day_of_warming_up_is_no_wear():
    made = unit(11, growth=0.5, sessions=30, years=0.5 / 365.25, missing=False)
    t = only(judge(made.rows, no_notes(), {}))
    assert t.result == "too-few"
    assert "days" in t.detail["reason"]


def test_a_certain_trend_too_small_to_matter_is_steady():
    made = unit(12, growth=0.01, sessions=400, noise=0.002, season=0.0, missing=False)
    rows = made.rows.with_columns(pl.col("value") * 0 + pl.Series(made.truth))
    t = only(judge(rows, no_notes(), {}))
    assert t.result == "steady"
    assert t.p_value < 1e-6
    assert "matter" in t.detail["reason"]


def test_since_names_when_a_late_rise_began():
    made = unit(13, law="begun late", growth=0.4, sessions=200, season=0.02, missing=False)
    t = only(judge(made.rows, no_notes(), {}))
    began = BEGIN + timedelta(days=365.25 * 2 * 0.35)
    assert t.detail["shape"] == "bend"
    assert abs(t.since - began) < timedelta(days=75)


def test_a_step_is_found_where_it_is():
    made = unit(14, growth=0.0, sessions=120, season=0.02, missing=False, noise=0.02)
    at = made.rows["start"][70]
    rows = made.rows.with_columns(
        pl.when(pl.col("start") >= at)
        .then(pl.col("value") + 0.25)
        .otherwise(pl.col("value"))
        .alias("value")
    )
    t = only(judge(rows, no_notes(), {}))
    assert t.detail["shape"] == "steps"
    assert abs(t.detail["steps"][0]["at"] - at) < timedelta(days=25)
    assert t.detail["steps"][0]["size"] == pytest.approx(0.25, abs=0.06)


def test_wear_can_be_drawn_against_travel():
    made = unit(15, growth=0.3, sessions=80, season=0.0)
    travel = made.rows.with_columns(
        pl.lit("travel").alias("indicator"),
        pl.lit("deg").alias("unit"),
        pl.lit(3600.0).alias("value"),
    )
    t = only(judge(pl.concat([made.rows, travel]), no_notes(), {}, against="travel"))
    assert t.result == "rising"
    assert t.detail["axis_unit"] == "1000 turns"
    # 80 sessions of ten turns are 0.8 thousand turns.
    assert t.detail["slope"] == pytest.approx(0.3 * 1.2 / 0.79, rel=0.25)
    assert t.slope_per_year == pytest.approx(0.3 * 1.2 / 2, rel=0.25)


def test_a_limit_is_projected_to_a_date_with_an_interval():
    reached = BEGIN + timedelta(days=365.25 * 3.0)  # linear: 40 % in two years, 60 % in three
    held = []
    for seed in range(12):
        made = unit([seed, 16], growth=0.4, season=0.03, missing=False, noise=0.02)
        t = only(judge(made.rows, no_notes(), {"friction at usual rate": 1.2 * 1.6}))
        projection = t.detail["projection"]
        assert projection["word"] == "projected"
        assert abs(projection["date"] - reached) < timedelta(days=240)
        assert sum(law["weight"] for law in projection["laws"]) == pytest.approx(1, abs=0.01)
        later = projection["date_high"] is None or reached < projection["date_high"]
        held.append(projection["date_low"] < reached and later)
    assert sum(held) >= 9  # 90 % of 12, less two standard deviations


def test_no_date_is_given_where_there_is_none():
    made = unit(17, growth=0.0, sessions=150, season=0.03, missing=False)
    projection = only(judge(made.rows, no_notes(), {"friction at usual rate": 3.5})).detail[
        "projection"
    ]
    assert projection["word"] in ("impossible", "beyond")
    assert projection["date"] is None
    passed = only(judge(made.rows, no_notes(), {"friction at usual rate": 0.8})).detail[
        "projection"
    ]
    assert passed["word"] == "passed"


def test_the_fleet_shows_the_worn_unit_first():
    found = judge(
        table(seven(21, TU_4={"growth": 0.4})), no_notes(), {"TU-4/friction at usual rate": 2.0}
    )
    fleet = fleet_of(found, {})
    assert fleet["serial"][0] == "TU-4"
    assert fleet["attention"].to_list() == ["worsening"] + ["steady"] * 6
    assert fleet["limit_date"][0] is not None
    assert "rising" in fleet["why"][0]


def test_a_unit_unlike_its_peers_is_shown_before_its_own_trend_is_certain():
    made = [
        unit([22, j], serial=f"TU-{j}", joint=f"J{j}", growth=0.12 if j == 2 else 0.0,
             sessions=14, noise=0.01, season=0.0, missing=False)
        for j in range(7)
    ]  # fmt: skip
    made = [m.rows.with_columns(pl.col("se") * 0 + 0.012) for m in made]
    found = judge(pl.concat(made), no_notes(), {})
    scores = peer_scores(found, {f"TU-{j}": "one type" for j in range(7)})
    sizes = {serial: z for (serial, _), (_, z) in scores.items()}
    assert max(sizes, key=sizes.get) == "TU-2"
    assert all(n == 6 for n, _ in scores.values())
    assert peer_scores(found, {f"TU-{j}": f"type {j}" for j in range(7)}) == {}


def test_a_session_without_a_number_is_left_out():
    made = unit(23, sessions=40, missing=False)
    rows = made.rows.with_columns(
        pl.when(pl.int_range(pl.len()) % 4 == 0)
        .then(None)
        .otherwise(pl.col("value"))
        .alias("value")
    )
    assert next(iter(histories(rows, no_notes(), use=pl.DataFrame()))).n == 30


def test_worse_and_better_are_two_questions_with_a_rate_each():
    # One-sided: a rise of two-sided p 0.08 in one of seven leading indicators
    # is p 0.04 for "worse", and the six others do not go the way of wear.
    made = seven(31, TU_1={"growth": 0.5}, TU_2={"growth": -0.3})
    found = {t.serial: t for t in judge(table(made), no_notes(), {})}
    assert found["TU-1"].result == "rising"
    assert found["TU-2"].result == "falling"
    for t in found.values():
        assert t.detail["adjusted_p_value"] >= t.p_value / 2 - 1e-12
    # Seven tests a question: the smallest p of "worse" is multiplied by seven at most.
    assert found["TU-1"].detail["adjusted_p_value"] <= 7 * found["TU-1"].p_value / 2 + 1e-12


def test_what_leans_to_the_bad_side_is_watched_and_never_steady():
    seen = set()
    for seed in range(40):
        made = unit([seed, 91], growth=0.05, sessions=60, noise=0.04, missing=False)
        (t,) = judge(made.rows, no_notes(), {})
        row = fleet_of([t], {}).row(0, named=True)
        leans = t.slope_low > 0
        seen.add((leans, row["attention"]))
        assert not (leans and row["attention"] == "steady")
        assert (row["attention"] == "watch") <= leans
        if row["attention"] == "watch":
            assert "wholly on the side that is worse" in row["why"]
    assert (True, "watch") in seen
    assert (False, "steady") in seen


@pytest.mark.parametrize(("years", "word"), [(0.4, "watch"), (1.6, "steady"), (None, "steady")])
def test_a_limit_that_may_come_within_a_year_is_watched(years, word):
    made = unit([5, 92], growth=0.0, sessions=60, noise=0.05, missing=False)
    (t,) = judge(made.rows, no_notes(), {})
    assert t.slope_low < 0 < t.slope_high
    near = replace(t, detail=t.detail | {"projection": {"remaining_years_low": years}})
    row = fleet_of([near], {}).row(0, named=True)
    assert row["attention"] == word
    if years == 0.4:
        assert "its limit may come within 0.4 years" in row["why"]
