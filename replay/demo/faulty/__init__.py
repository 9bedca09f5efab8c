"""What goes wrong with the invented arm: kinds, where they are put, how they act."""
