"""The Dash app over an archive; nothing in `replay` imports it."""
