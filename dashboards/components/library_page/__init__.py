"""Parts of the library: logs taken in, the grid of sessions."""
