"""Parts of the page of one event."""
