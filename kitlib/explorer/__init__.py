"""What-if arithmetic, its pictures and its widgets."""
