"""A rigid chain that the logs tell: where no arm file says how loads come about."""
