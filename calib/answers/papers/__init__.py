"""What a paper does to the colours."""
