"""From the picture of a coloured page to the colours of its swatches."""
