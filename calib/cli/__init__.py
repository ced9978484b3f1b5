"""The command line: words, paths and exit codes, and the only door to click."""
