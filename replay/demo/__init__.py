"""An invented arm with its own physics, for demonstrations and tests.

The engine never imports this room, and this room never imports the engine's
models: agreement between the two would prove nothing otherwise.
"""

from replay.demo.faulty.faults import FaultWish
from replay.demo.hardware import Wear
from replay.demo.heron import arm_toml
from replay.demo.sessions import SessionPlan, session_record, simulate_session

__all__ = ["FaultWish", "SessionPlan", "Wear", "arm_toml", "session_record", "simulate_session"]
