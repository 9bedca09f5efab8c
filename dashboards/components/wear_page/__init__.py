"""Parts of the wear page."""
