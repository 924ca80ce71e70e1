"""From a season folder to samples paired with their plots; files written whole."""
