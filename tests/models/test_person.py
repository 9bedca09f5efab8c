"""What a person on the tip weighs no column tells: the joints are not accused of it."""

import numpy as np
import pytest

from replay.archive import open_archive
from replay.checks import check, learn
from replay.models import condense
from replay.models.loading.payload import declared
from replay.models.loading.person import with_person
from replay.settings import setting
from tests.models.planar import HZ, add_session

MINUTES = 4.0
ROWS = int(60 * MINUTES * HZ)
THERE = (np.arange(ROWS) >= 60 * HZ) & (np.arange(ROWS) < 180 * HZ)
LEANS_KG = 5.0


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    out = open_archive(tmp_path_factory.mktemp("person") / "archive", create=True)
    for seed in range(12):
        add_session(out, seed, payload_kg=4.0 * (seed % 2), declare=True)
    learn(out)
    return out


def test_who_leans_on_the_arm_is_no_fault_where_the_log_says_that_they_are_there(archive):
    leaning = LEANS_KG * THERE
    unsaid = add_session(archive, 50, declare=True, leaning_kg=leaning)
    said = add_session(archive, 51, declare=True, leaning_kg=leaning, person=THERE)
    assert [f.kind for f in check(archive, unsaid, save=False).flags]  # or the test shows nothing
    result = check(archive, said, save=False)
    assert result.flags == ()
    assert "a person was on the tip for 1" in result.note
    assert "no column tells what they weigh" in result.note


def test_a_payload_that_may_count_the_person_is_not_said_to_leave_them_out(archive):
    name = add_session(archive, 55, declare=True, payload_kg=4.0, person=THERE)
    note = check(archive, name, save=False).note
    assert "whether the payload that the log tells of counts them is not known" in note
    assert "no column tells" not in note


def test_the_load_is_in_doubt_while_somebody_is_there_and_not_else(archive):
    name = add_session(archive, 60, declare=True, person=THERE)
    blocks = condense(archive, name)
    payload = with_person(declared(blocks), blocks)
    there = blocks.person_on_tip == 1
    away = ~there & ~np.roll(there, 40) & ~np.roll(there, -40)
    assert payload.sd_kg[there].min() >= setting("person_kg")
    assert payload.sd_kg[away].max() == 0
    assert np.array_equal(payload.mass_kg, declared(blocks).mass_kg)
