"""Figures, drawn for print, and what they are made of."""
