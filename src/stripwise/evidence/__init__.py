"""From test data and site records to inputs: read, fit, with uncertainty kept."""
