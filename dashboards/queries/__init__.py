"""The only door from the dashboard to the engine; one module a subject."""
