"""Which pens were bought twice."""
