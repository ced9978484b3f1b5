"""What became of the pens between two sessions and more."""
