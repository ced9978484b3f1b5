"""Pens that go into each other from dark to light."""
