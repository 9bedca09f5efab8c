"""From a log that nobody described to a proposed log map."""
