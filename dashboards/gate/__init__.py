"""Who comes in, and who may do what: asked at one place, before anything else runs."""
