"""Tables in, drawings or what the browser draws out; no Dash, no engine."""
