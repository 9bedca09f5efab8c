"""What a baseline is: a plain document, the same for the same content, refused when old."""

import numpy as np
import orjson
import pytest

from replay.archive import open_archive
from replay.errors import BaselineError
from replay.models import Baseline, fit, list_versions, load_baseline, save_baseline
from replay.models.facts import facts_of, steady_current
from replay.signals import joint_table
from tests.checks.sessions import add, bench


@pytest.fixture(scope="module")
def taught(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("bench"), create=True)
    names = [add(archive, f"h{k}", bench(k, minutes=4.0), day=k) for k in range(6)]
    training = fit(archive, names)
    records = [archive.session(n) for n in names]
    made = Baseline.assemble(training.model, records, 1.0, {"laws": [1.0, None]})
    return archive, save_baseline(archive, made)


def test_the_document_gives_the_model_back(taught):
    archive, saved = taught
    again = load_baseline(archive)
    for serial, unit in saved.units.items():
        other = again.units[serial]
        assert other.names == unit.names
        np.testing.assert_array_equal(other.coef, unit.coef)
        np.testing.assert_array_equal(other.trained.cells, unit.trained.cells)
        assert other.servo is None or other.servo.names == unit.servo.names
    table = joint_table(archive, "h1", "P1")
    assert again.expected(table, "S-1").equals(saved.expected(table, "S-1"))


def test_the_same_content_is_not_stored_twice(taught):
    archive, saved = taught
    assert save_baseline(archive, saved).version == saved.version
    assert list_versions(archive) == [saved.version]


def test_a_baseline_of_an_older_program_is_refused_in_words(taught, tmp_path):
    archive = open_archive(tmp_path, create=True)
    archive.write_document("baselines/b1-0000.json", orjson.dumps({"format": 8, "version": "b1"}))
    with pytest.raises(BaselineError) as refused:
        load_baseline(archive)
    assert "learn again" in refused.value.sentence()


def test_the_band_holds_about_all_healthy_samples(taught):
    archive, saved = taught
    add(archive, "fresh", bench(50, minutes=4.0), day=50)
    table = joint_table(archive, "fresh", "P1")
    band = saved.expected(table, "S-1")
    amps = table["current_a"].to_numpy()
    known = band["expected_a"].is_not_null().to_numpy()
    assert known.mean() > 0.9
    inside = (amps >= band["low_a"].to_numpy()) & (amps <= band["high_a"].to_numpy())
    assert inside[known].mean() > 0.95
    moving = (table["motion"] == "moving").fill_null(False).to_numpy() & known
    rest = amps[moving] - band["expected_a"].to_numpy()[moving]
    assert np.var(rest) < 0.1 * np.var(amps[moving])


def test_friction_is_told_in_the_fields_terms_with_its_error(taught):
    _, saved = taught
    unit = saved.units["S-1"]
    # the bench: 1.2 A + (0.25 - 0.01 (T - 20)) |v|, 15 % more backwards
    rates = np.array([2.0, -2.0])
    value, error = steady_current(unit, rates)
    heat = unit.reference_c - 20
    plain = 1.2 + (0.25 - 0.01 * heat) * 2.0
    assert value[0] == pytest.approx(plain, abs=0.06 + 3 * error[0])
    assert value[1] == pytest.approx(-1.15 * plain, abs=0.06 + 3 * error[1])
    facts = {f.what: f for f in facts_of(unit)}
    assert facts["explained share of the moving current"].value > 95
    assert facts["Coulomb friction, towards rest"].unit == "A"
    assert facts["Coulomb friction, towards rest"].value == pytest.approx(1.29, abs=0.12)


def test_an_unknown_unit_is_named(taught):
    archive, saved = taught
    with pytest.raises(BaselineError, match="S-9"):
        saved.expected(joint_table(archive, "h1", "P1"), "S-9")
