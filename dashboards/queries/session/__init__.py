"""Questions about one session, for the replay and the library."""
