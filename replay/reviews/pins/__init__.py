"""Notes pinned to instants of a session."""
