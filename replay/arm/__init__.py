"""What an arm is made of, and what follows from that: poses, loads, margins."""

from replay.arm.description import Arm, Joint, Link
from replay.arm.gaps import switched_off
from replay.arm.reading import load_arm

__all__ = ["Arm", "Joint", "Link", "load_arm", "switched_off"]
