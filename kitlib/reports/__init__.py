"""What the tables, the reports and the notebooks show."""
