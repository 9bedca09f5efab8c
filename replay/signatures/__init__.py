"""What each kind of fault adds to the residuals, and what it shows at the log's own rate."""
