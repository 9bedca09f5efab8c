"""Sessions brought to even, filtered blocks, a few a second."""
