"""What healthy joints do: noise, norms, tails, and the limits that follow from them."""
