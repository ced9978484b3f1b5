"""Which pen comes nearest to a colour, to another pen, or to the printed black."""
