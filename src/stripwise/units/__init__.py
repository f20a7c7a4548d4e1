"""Numbers with units and names as people write them."""
