"""From clean streams to what a joint did: rates, segments, brakes, duty, the joint table."""

from replay.signals.joints import joint_table, joint_tables

__all__ = ["joint_table", "joint_tables"]
