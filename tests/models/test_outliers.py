import numpy as np
import polars as pl
from sklearn.ensemble import IsolationForest
from sklearn.metrics import roc_auc_score
from sklearn.utils.estimator_checks import parametrize_with_checks

from replay.models.outliers import CurrentOutlier
from tests.real_logs import COBOT, COBOT_CUT, whole


@parametrize_with_checks([CurrentOutlier()])
def test_keeps_the_conventions_of_scikit_learn(estimator, check):
    check(estimator)


def test_the_limit_is_score_less_offset():
    rng = np.random.default_rng(0)
    rows = np.column_stack([rng.normal(size=500), rng.normal(size=500)])
    model = CurrentOutlier(contamination=0.05).fit(rows)
    np.testing.assert_allclose(
        model.decision_function(rows), model.score_samples(rows) - model.offset_
    )
    assert 0.03 < np.mean(model.predict(rows) == -1) <= 0.05


def test_direction_asymmetry_is_normal():
    rng = np.random.default_rng(1)
    speed = rng.uniform(0.5, 3, 4000) * rng.choice([-1, 1], 4000)
    current = np.where(speed > 0, 1.0, -1.6) + 0.2 * speed + 0.05 * rng.normal(size=4000)
    model = CurrentOutlier().fit(np.column_stack([current, speed]))
    odd = model.score_samples([[1.5, 2.0], [1.4, 2.0], [-2.0, -2.0]])
    assert odd[0] < odd[1]
    assert model.predict([[1.4, 2.0], [-2.0, -2.0], [1.9, 2.0]]).tolist() == [1, 1, -1]


def read_rows(path):
    frame = pl.read_csv(path, separator=";", infer_schema_length=0)
    frame = frame.filter(pl.col("Robot_ProtectiveStop").is_in(["True", "False"]))
    number = pl.selectors.starts_with("Current_J", "Speed_J").str.replace(",", ".").cast(pl.Float64)
    return frame.select(number, stop=pl.col("Robot_ProtectiveStop") == "True").drop_nulls()


def compare(frame):
    """AUROC of protective stops, the largest joint score of each row: ours, forest."""
    ours, forest = [], []
    for j in range(6):
        rows = frame.select(f"Current_J{j}", f"Speed_J{j}").to_numpy()
        ours.append(-CurrentOutlier().fit(rows).score_samples(rows))
        pair = rows[:, ::-1]
        forest.append(-IsolationForest(random_state=0).fit(pair).score_samples(pair))
    stop = frame["stop"].to_numpy()
    pooled = np.concatenate(
        [frame.select(f"Speed_J{j}", f"Current_J{j}").to_numpy() for j in range(6)]
    )
    whole = IsolationForest(random_state=0).fit(pooled[::3])
    together = [
        -whole.score_samples(frame.select(f"Speed_J{j}", f"Current_J{j}").to_numpy())
        for j in range(6)
    ]
    return [roc_auc_score(stop, np.max(s, axis=0)) for s in (ours, forest, together)]


def test_conditioning_on_rest_and_motion_beats_a_forest_on_a_real_cut():
    # UCI data set 963, doi 10.24432/C5J891, CC BY 4.0
    ours, forest, pooled = compare(read_rows(COBOT_CUT))
    assert ours > max(forest, pooled) + 0.03


def test_conditioning_on_rest_and_motion_beats_a_forest_on_the_whole_log():
    ours, forest, pooled = compare(read_rows(whole(*COBOT)))
    assert ours > 0.69
    assert ours > max(forest, pooled) + 0.1


def test_where_the_whole_arm_rests_it_is_as_good_as_a_robust_z_of_the_holding_currents():
    frame = read_rows(whole(*COBOT))
    rest = frame.filter(pl.max_horizontal(pl.selectors.starts_with("Speed_J").abs()) < 0.01)
    stop = rest["stop"].to_numpy()
    current = rest.select(pl.selectors.starts_with("Current_J")).to_numpy()
    off = np.abs(current - np.median(current, axis=0))
    plain = roc_auc_score(stop, np.max(off / np.median(off, axis=0), axis=1))
    ours = []
    for j in range(6):
        rows = rest.select(f"Current_J{j}", f"Speed_J{j}").to_numpy()
        ours.append(-CurrentOutlier().fit(rows).score_samples(rows))
    assert roc_auc_score(stop, np.max(ours, axis=0)) > plain > 0.8


def together(frame):
    """AUROC of protective stops where the whole arm rests, six currents at once: ours, forest."""
    speeds = pl.selectors.starts_with("Speed_J")
    rest = frame.filter(pl.max_horizontal(speeds.abs()) < 0.01)
    rows = rest.select(pl.selectors.starts_with("Current_J"), speeds).to_numpy()
    ours = -CurrentOutlier(channels=6).fit(rows).score_samples(rows)
    forest = IsolationForest(random_state=0).fit(rows)
    stop = rest["stop"].to_numpy()
    return roc_auc_score(stop, ours), roc_auc_score(stop, -forest.score_samples(rows))


def test_six_currents_together_tell_a_stopped_arm_from_a_resting_one():
    ours, forest = together(read_rows(whole(*COBOT)))
    assert ours >= 0.81
    assert ours > forest + 0.05


def test_six_currents_together_beat_a_forest_on_a_real_cut():
    ours, forest = together(read_rows(COBOT_CUT))
    assert ours > forest


def test_residuals_are_the_current_beyond_its_expectation_and_that_in_usual_sizes():
    rng = np.random.default_rng(2)
    speed = rng.choice([-1.0, 0.0, 1.0], 3000)
    current = 0.5 + 2.0 * np.sign(speed) + np.where(speed == 0, 0.02, 0.2) * rng.normal(size=3000)
    model = CurrentOutlier().fit(np.column_stack([current, speed]))
    residual, off = model.residuals([[0.6, 0.0], [3.0, 1.0]])
    np.testing.assert_allclose(residual.ravel(), [0.1, 0.5], atol=0.02)
    np.testing.assert_allclose(off.ravel(), [5.0, 2.5], rtol=0.12)  # 0.02 at rest, 0.2 in motion
