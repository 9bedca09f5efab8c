"""What is most likely wrong in an arm file is said; a true file is not accused."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from replay.arm import doubts, load_arm
from replay.arm.drawing import as_svg, as_text, skeleton
from tests.arm.makers import symmetric_text

HERON = Path(__file__).parents[2] / "sample_logs" / "heron.toml"
PAYLOAD = "[arm.payload]\ncentre_m = [0, 0, 0.6]\n"


@pytest.mark.parametrize("source", [HERON, symmetric_text(extra=PAYLOAD)])
def test_a_true_arm_is_not_accused(source: object) -> None:
    assert doubts(load_arm(source)) == []  # type: ignore[arg-type]


def test_a_tip_that_looks_into_the_arm_is_told() -> None:
    text = symmetric_text(extra=PAYLOAD).replace(
        "[arm.tip]\nxyz_m = [0, 0, 0.5]", "[arm.tip]\nxyz_m = [0, 0, 0.5]\nrpy_deg = [180, 0, 0]"
    )
    told = doubts(load_arm(text))
    assert any("z of the tip frame looks into the arm" in s for s in told)
    assert any("end A as the base the payload lands inside the arm" in s for s in told)
    assert not any("end B as the base" in s for s in told)


def test_a_fixture_that_looks_the_wrong_way_is_told_of_the_other_base() -> None:
    # end A's frame stands with its z away from the arm: from base B the tip looks inward
    text = symmetric_text(extra=PAYLOAD).replace(
        "xyz_m = [0, 0, 0.5]\naxis = [0,0,1]",
        "xyz_m = [0, 0, -0.5]\nrpy_deg = [180, 0, 0]\naxis = [0,0,1]",
        1,
    )
    told = doubts(load_arm(text))
    assert any("end B as the base, z of the tip frame looks into" in s for s in told), told
    assert any("end B as the base the payload lands inside" in s for s in told), told
    assert not any("end A as the base" in s for s in told)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("centre_m = [0, 0, 0.25]\ninertia", "centre_m = [0, 0, 250.0]\ninertia", "in mm?"),
        ("[10, 10, 1, 0, 0, 0]", "[1e7, 1e7, 1e6, 0, 0, 0]", "radius of gyration"),
        ("mass_kg = 120.0", "mass_kg = 0.0", "an inertia without a mass"),
        ("xyz_m = [0, 0, 7.0]", "xyz_m = [0, 0, 7000.0]", "are lengths in mm?"),
    ],
)
def test_units_that_no_arm_has_are_told(old: str, new: str, told: str) -> None:
    found = doubts(load_arm(symmetric_text().replace(old, new)))
    assert any(told in s for s in found), found


def test_the_drawing_shows_every_joint_from_both_ends() -> None:
    arm = load_arm(HERON)
    document = as_svg(arm, np.array([0.0, 0, 0, -90, 0, 0, 0]))
    root = ET.fromstring(document)
    words = [t.text for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert all(words.count(name) == 4 for name in arm.joint_names)  # two ends, two sides
    straight = as_text(skeleton(arm, "B"))
    assert straight.splitlines()[2].split()[0] == "J7"
    assert "+z" in straight.splitlines()[-1]
    bent = skeleton(arm, "A", np.array([0.0, 0, 0, -90, 0, 0, 0]))
    assert np.allclose(bent.place_m[-1], [-8.5, 0, 8.5])
