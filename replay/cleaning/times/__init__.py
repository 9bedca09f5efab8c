"""The time column: to UTC nanoseconds, in rising order, and against another recorder's clock."""
