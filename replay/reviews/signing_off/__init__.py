"""Sign-offs: what they state, who signed, what would differ now."""
