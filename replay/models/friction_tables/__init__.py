"""The friction of one session as a table: steady rows, curves, fits."""
