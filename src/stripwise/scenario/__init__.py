"""From a scenario file to a scenario in internal units."""
