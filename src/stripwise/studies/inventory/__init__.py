"""Many faces at once: their probabilities and lives, totals, and which go first."""
