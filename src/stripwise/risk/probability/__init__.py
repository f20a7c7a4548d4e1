"""From fronts to probabilities: curves, ranges, cover maps, extent, cracking, cost."""
