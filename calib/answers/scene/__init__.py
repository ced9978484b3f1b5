"""A picture planned area by area: contrast, shared colours, and pens that are in trouble."""
