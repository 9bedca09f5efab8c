"""The read-only HTTP interface for other programs, and its own description."""
