"""One module for each table of the scenario file."""
