"""Invented inks, hands and scanners with a known truth, for tests, demo and benchmarks."""
