"""What is measured: the colour table, its flags and its description."""
