"""Simulated seasons of known truth: does each interval cover, does advice pay."""
