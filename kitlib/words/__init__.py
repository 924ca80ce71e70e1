"""Errors, estimates with intervals, findings, vocabulary, limits with sources."""
