"""Wear: what each joint unit's sessions say about it over the years."""

from replay.wear.duty import duty
from replay.wear.fleet import fleet
from replay.wear.indicators import indicators
from replay.wear.limits import limits, set_limit
from replay.wear.maintenance import add_maintenance, maintenance
from replay.wear.trends import judge, trends
from replay.wear.unit_history import UnitHistory, unit_history

__all__ = [
    "UnitHistory",
    "add_maintenance",
    "duty",
    "fleet",
    "indicators",
    "judge",
    "limits",
    "maintenance",
    "set_limit",
    "trends",
    "unit_history",
]
