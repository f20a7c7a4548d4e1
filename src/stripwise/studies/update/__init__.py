"""What inspections say about a wall: a posterior by Bayes' rule, and the answer before and after."""
