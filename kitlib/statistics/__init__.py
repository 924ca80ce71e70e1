"""Arrays in, frozen results out: clustered and mixed estimates, lines, agreement."""
