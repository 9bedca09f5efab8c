"""Long tables, one value a row, brought side by side in bounded memory."""
