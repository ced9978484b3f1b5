"""The kinds of image file: a room for each, all behind ``scan/image``."""
