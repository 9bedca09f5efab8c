"""Parts of the queue, of its form and of signing."""
