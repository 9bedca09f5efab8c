"""Parts of the replay."""
