"""From clean streams to what a joint did: rates, segments, brakes, duty, the joint table."""

from replay.signals.joints import joint_table, joint_tables
from replay.signals.mechanics import SessionMechanics, second_recorder_events
from replay.signals.postures import tip_table

__all__ = ["SessionMechanics", "joint_table", "joint_tables", "second_recorder_events", "tip_table"]
