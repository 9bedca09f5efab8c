"""Plain files as various recorders would write them."""
