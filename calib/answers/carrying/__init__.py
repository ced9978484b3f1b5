"""A whole table carried over to another paper from a few swatches on it."""
