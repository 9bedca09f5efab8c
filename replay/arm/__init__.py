"""What an arm is made of, and what follows from that: poses, loads, margins."""

from replay.arm.chain import Reversal, reversal
from replay.arm.description import Arm, Joint, Link
from replay.arm.forward_kinematics import Poses, poses, tip_place
from replay.arm.gaps import switched_off
from replay.arm.loads import Loads, has_masses, loads, tip_speed
from replay.arm.plausibility import doubts
from replay.arm.reading import load_arm

__all__ = [
    "Arm",
    "Joint",
    "Link",
    "Loads",
    "Poses",
    "Reversal",
    "doubts",
    "has_masses",
    "load_arm",
    "loads",
    "poses",
    "reversal",
    "switched_off",
    "tip_place",
    "tip_speed",
]
