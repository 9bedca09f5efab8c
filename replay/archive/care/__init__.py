"""What is damaged, and what mends it."""
