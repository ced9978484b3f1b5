"""Which pens are neutral on this paper, which way the others lean, and ladders of them."""
