"""Forms in which logs write instants."""
