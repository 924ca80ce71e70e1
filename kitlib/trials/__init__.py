"""Yields, entry means, ranks and chances of selection, before and after correction."""
