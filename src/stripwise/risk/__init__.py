"""From faces to probabilities, drivers and choices."""
