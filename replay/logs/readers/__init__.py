"""One reader a file format; the content decides which."""
