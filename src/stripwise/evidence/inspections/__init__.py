"""What was found on a wall in service: cores, cover readings, half-cell surveys."""
