"""One joint table in, indicators with standard errors out; one subject a file."""
