"""Who does the work of many sessions: this process, all cores, or other machines."""

from replay.workers.each import Each, WorkersError, in_turn
from replay.workers.one_thread import one_thread

__all__ = ["Each", "WorkersError", "in_turn", "one_thread"]
