"""Which input or choice the answer's variance comes from."""
