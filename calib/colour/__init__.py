"""Arithmetic that knows neither paper nor files."""
