"""Fronts by a numerical solution: layers of the face and coatings."""
