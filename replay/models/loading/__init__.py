"""Loads on the joints: from the arm file, from a chain, or estimated where none is declared."""
