"""Log maps and readers: a file becomes raw columns and set-aside rows."""

from replay.logs.maps import LogMap, load_map

__all__ = ["LogMap", "load_map"]
