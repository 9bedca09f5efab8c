"""Where nothing tells posture or load: what `mechanics` leaves out."""

import json

import pytest
from conftest import add
from gravity_arm import JOINTS, year

from replay.archive import Archive, open_archive
from replay.cli.main import main
from replay.cli.wear.mechanics import session_mechanics
from replay.wear import indicators
from replay.wear.reference.store import DOCUMENT

ARM = "\n".join(
    f"[[joints]]\nname = '{joint}'\ngear_ratio = 100.0\ntorque_constant_nm_a = 0.1\n"
    "current_limit_a = 20.0\n"
    for joint in JOINTS
)


@pytest.fixture(scope="module")
def described(tmp_path_factory):
    """One session under gravity with an arm file that has drives, but no masses."""
    archive = open_archive(tmp_path_factory.mktemp("described"), create=True)
    units = {joint: f"U-{joint}" for joint in JOINTS}
    start, frame = next(iter(year(0, sessions=1, seconds=60.0)))
    add(archive, 0, frame, units=units, start=start, arm="Cedar", arm_toml=ARM)
    return archive


def test_withheld_friction_is_in_no_margin_and_no_fit(described):
    found = session_mechanics(described, "S0000")
    reasons = [text for text in found["not_computed"] if ": friction is withheld: " in text]
    left_out = {text.split("'")[1]: text.partition(" is withheld: ")[2] for text in reasons}
    assert "J2" in left_out
    assert "J1" not in left_out
    assert set(found["margins"]["joint"]) == set(JOINTS) - set(left_out)
    for fit in found["friction"]:
        given = [fit["r2"] is not None, any(t.determined for t in fit["terms"])]
        assert given == [fit["joint"] not in left_out] * 2, fit["joint"]
        if fit["joint"] in left_out:
            assert fit["stribeck_rate_deg_s"] is None
            assert not fit["warnings"]
    for joint, why in left_out.items():
        assert f"joint {joint!r}: the motor's margin is withheld: {why}" in found["not_computed"]


def test_mechanics_prints_what_was_left_out_and_no_figure(described, capsys):
    assert main(["mechanics", "S0000", "--archive", str(described.root)]) == 0
    assert "nan" not in capsys.readouterr().out.lower()
    assert main(["mechanics", "S0000", "--archive", str(described.root), "--json"]) == 0
    fits = {f["joint"]: f for f in json.loads(capsys.readouterr().out)["friction"]}
    assert fits["J2"]["r2"] is None
    assert fits["J1"]["r2"] > 0


def test_mechanics_reads_the_reference_models_once(described, monkeypatch):
    indicators(described)
    read = []
    whole = Archive.read_document

    def counted(self, name):
        read.append(name)
        return whole(self, name)

    monkeypatch.setattr(Archive, "read_document", counted)
    session_mechanics(described, "S0000")
    assert read.count(DOCUMENT) == 1
