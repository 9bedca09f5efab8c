"""What is learned of one joint unit: the law of its current, noise, doubt, drive."""
