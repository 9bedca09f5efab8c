"""How a joint moves beside what it was told: travel missing, steps, swings."""
