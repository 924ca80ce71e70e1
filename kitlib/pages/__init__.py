"""Figures, the blocks of a report, typesetting."""
