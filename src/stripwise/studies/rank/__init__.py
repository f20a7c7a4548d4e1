"""What drives the answer: choices, inputs at every age, and what a measurement would be worth."""
