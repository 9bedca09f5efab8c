"""Log maps and readers: a file becomes raw columns and set-aside rows."""

from replay.logs.maps import LogMap, load_map
from replay.logs.proposing.proposal import Line, Proposal
from replay.logs.proposing.propose import propose_map

__all__ = ["Line", "LogMap", "Proposal", "load_map", "propose_map"]
