"""Random inputs: distributions, correlation and draws."""
