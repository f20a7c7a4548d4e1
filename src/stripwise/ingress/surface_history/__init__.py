"""Fronts under a surface chloride that changes in time."""
