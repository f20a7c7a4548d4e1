"""Design points and small probabilities."""
