"""The page of one event."""
