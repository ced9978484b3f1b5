"""A measured table in the words of other programs: one room for each format."""
