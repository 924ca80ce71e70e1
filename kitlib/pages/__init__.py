"""Gives way to kitlib.reports: blocks, drawing, figures and typeset stand there now."""
