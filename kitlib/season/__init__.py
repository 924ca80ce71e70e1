"""The whole of a season's audit in one object, and its table of curves."""
