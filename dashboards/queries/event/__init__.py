"""Questions about one event, for the event page."""
